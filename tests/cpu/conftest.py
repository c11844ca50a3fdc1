"""Reference cases of single instructions: the full set where it lies, else the subset shipped."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
ADDRESS_COLUMNS = ("initial", "final", "initial_ram", "final_ram", "cycles")


@dataclass(frozen=True, slots=True)
class Case:
    """One instruction: registers PC S A X Y P before and after, RAM, and each cycle."""

    opcode: int
    initial: np.ndarray
    final: np.ndarray
    initial_ram: dict[int, int]
    final_ram: dict[int, int]
    address: np.ndarray
    data: np.ndarray
    rw: np.ndarray


class ReferenceCases:
    """The arrays of the set, cut into cases on demand."""

    def __init__(self, path: Path) -> None:
        with np.load(path) as packed:
            self.arrays = {name: packed[name] for name in packed.files}
        if not self._reads_on():
            # The full set stores addresses and PC high byte first; its data columns are bytes.
            for name in ADDRESS_COLUMNS:
                self.arrays[name] = self.arrays[name].copy()
                self.arrays[name][:, 0] = self.arrays[name][:, 0].byteswap()
        assert self._reads_on(), "the second cycle of every case reads the byte after the opcode"

    def _reads_on(self) -> bool:
        begin, end = self.arrays["cycles_offset"][:-1], self.arrays["cycles_offset"][1:]
        longer = np.flatnonzero(end - begin > 1)
        second = self.arrays["cycles"][begin[longer] + 1, 0]
        return np.array_equal(second, self.arrays["initial"][longer, 0] + np.uint16(1))

    def __len__(self) -> int:
        return len(self.arrays["opcode"])

    def __getitem__(self, place: int) -> Case:
        arrays = self.arrays

        def rows(name: str) -> np.ndarray:
            offset = arrays[f"{name}_offset"]
            return arrays[name][offset[place] : offset[place + 1]]

        cycles = rows("cycles")
        return Case(
            opcode=int(arrays["opcode"][place]),
            initial=arrays["initial"][place],
            final=arrays["final"][place],
            initial_ram={int(a): int(v) for a, v in rows("initial_ram")},
            final_ram={int(a): int(v) for a, v in rows("final_ram")},
            address=cycles[:, 0],
            data=cycles[:, 1].astype(np.uint8),
            rw=(1 - cycles[:, 2]).astype(np.uint8),
        )

    def of(self, opcode: int) -> Iterator[Case]:
        for place in np.flatnonzero(self.arrays["opcode"] == opcode):
            yield self[place]


@pytest.fixture(scope="session")
def shipped_cases() -> ReferenceCases:
    """Ten cases of each opcode, as shipped."""
    return ReferenceCases(REPOSITORY / "fixtures" / "cpu_cases" / "nmos6502_cases.npz")


@pytest.fixture(scope="session")
def shipped_w65c02_cases() -> ReferenceCases:
    """Ten cases of each opcode but WAI and STP, as shipped."""
    return ReferenceCases(REPOSITORY / "fixtures" / "cpu_cases" / "w65c02_cases.npz")


@pytest.fixture(scope="session")
def nmos_cases(request: pytest.FixtureRequest, shipped_cases: ReferenceCases) -> ReferenceCases:
    """Return the full set where it lies (it must, in CI), else the subset."""
    return full_set(request, "nmos6502_cycles.npz") or shipped_cases


@pytest.fixture(scope="session")
def w65c02_cases(
    request: pytest.FixtureRequest, shipped_w65c02_cases: ReferenceCases
) -> ReferenceCases:
    """Return the full set where it lies (it must, in CI), else the subset."""
    return full_set(request, "w65c02_cycles.npz") or shipped_w65c02_cases


def full_set(request: pytest.FixtureRequest, name: str) -> ReferenceCases | None:
    default = REPOSITORY.parent / "shared" / "reference"
    folder = Path(os.environ.get("BUSTRACE_REFERENCE_DIR", default))
    if folder.is_dir() or os.environ.get("BUSTRACE_REQUIRE_DATA"):
        return ReferenceCases(request.getfixturevalue("reference_dir") / name)
    return None
