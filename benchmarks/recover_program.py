"""Opcode fetches found without SYNC, by lines captured and by what is wrong with the capture.

    BUSTRACE_REFERENCE_DIR=... python benchmarks/recover_program.py [--seed 1] [--rows clean ...]
    python benchmarks/recover_program.py --own 6502 [--seed 1]

The truth is SYNC of two recordings of a transistor-level simulation of the NMOS 6502 (`chip_traces`
of the reference data), or, with `--own`, of programs of our own (`own_programs`) on a CPU part: one
written by hand and three drawn at random by the seed. Each cell is found/false: fetches found in
per cent of those in the capture, and fetches claimed where there is none, in per cent of the same.
Rates are cycles a second.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from own_programs import Pulses, at_random, hand_written, run

from bustrace.program import _kernels
from bustrace.program.search import Found, Seen, recover

Truth = dict[str, npt.NDArray[np.uint8]]

LINE_SETS = {
    "A16+D8+RW": (0xFFFF, 0xFF, True),
    "A0-7+D8+RW": (0x00FF, 0xFF, True),
    "A0-3+D8+RW": (0x000F, 0xFF, True),
    "D8+RW": (0, 0xFF, True),
    "D8": (0, 0xFF, False),
    "A16+RW": (0xFFFF, 0, True),
}
ROWS = ("clean", "dead D", "dead A", "bit errors", "waits", "windows", "missing")


def load(folder: Path) -> list[Truth]:
    """The recordings, as dictionaries of columns."""
    truths = []
    for name in ("exer_interrupts", "exer_rdy"):
        with np.load(folder / "chip_traces" / f"{name}.npz") as stored:
            truths.append({column: stored[column] for column in stored.files})
    return truths


def own(variant: str, seed: int, n: int = 20_000) -> list[Truth]:
    """Programs of our own, from their reset on; in half of them RDY makes the CPU wait."""
    images = [hand_written(variant), *(at_random(variant, 10 * seed + k) for k in range(3))]
    truths = []
    for number, image in enumerate(images):
        pulses = Pulses(waits=0.004 * (number % 2))
        columns = run(variant, image, n, seed, pulses)
        truths.append({name: column[10:] for name, column in columns.items()})
    return truths


def fetches(truth: Truth) -> npt.NDArray[np.bool_]:
    """Cycles in which an opcode fetch begins; one that waits counts once."""
    sync = truth["sync"] == 1
    begins = sync.copy()
    begins[1:] &= ~sync[:-1]
    return begins


def chosen(truth: Truth, keep: npt.NDArray[np.bool_]) -> Truth:
    """Some of the cycles."""
    return {name: column[keep] for name, column in truth.items()}


def without_waits(truth: Truth, variant: str) -> Truth:
    """The cycles that the CPU could use: an NMOS part does not wait in a write."""
    begins = fetches(truth)
    keep = (truth["rdy"] == 1) | (truth["rw"] == 0) & (variant == "6502")
    # The last of the cycles of a fetch that waited is the one that is left.
    out = chosen(truth, keep)
    moved = np.flatnonzero(begins)
    while (waits := ~keep[moved]).any():
        moved[waits] += 1
    marks = np.zeros(len(keep), np.uint8)
    marks[moved] = 1
    out["begins"] = marks[keep]
    return out


def clipped(truth: Truth, address: int, data: int, rw: bool) -> Seen:
    """What a set of lines shows."""
    n = len(truth["rw"])
    return Seen(
        address=(truth["addr"] & address).astype(np.uint32),
        address_known=np.full(n, address, np.uint32),
        data=(truth["data"] & data).astype(np.uint8),
        data_known=np.full(n, data, np.uint8),
        rw=truth["rw"].astype(np.uint8) if rw else np.full(n, 2, np.uint8),
        held=np.zeros(n, np.bool_),
    )


def with_errors(seen: Seen, rng: np.random.Generator, rate: float) -> Seen:
    """Every captured bit wrong at a rate."""
    address, data, rw = seen.address.copy(), seen.data.copy(), seen.rw.copy()
    for bit in range(16):
        address ^= (rng.random(len(seen)) < rate).astype(np.uint32) << np.uint32(bit)
    for bit in range(8):
        data ^= (rng.random(len(seen)) < rate).astype(np.uint8) << np.uint8(bit)
    rw = np.where(rw == 2, rw, rw ^ (rng.random(len(seen)) < rate)).astype(np.uint8)
    return Seen(
        address & seen.address_known, seen.address_known, data & seen.data_known, seen.data_known,
        rw, seen.held,
    )  # fmt: skip


class Tally:
    """Fetches found and false, and the time it took."""

    def __init__(self) -> None:
        self.true = self.found = self.false = self.cycles = 0
        self.seconds = 0.0

    def add(
        self, seen: Seen, begins: npt.NDArray[np.bool_], search: Callable[[Seen], Found]
    ) -> None:
        """Search, and compare from after the first read of a vector, if any."""
        started = time.process_time()
        result = search(seen)
        self.seconds += time.process_time() - started
        self.cycles += len(seen)
        begin = 30 if self.whole else 0
        real = np.flatnonzero(begins)
        real = real[real >= begin]
        named = ~np.isin(result.edge, (_kernels.BY_NOTHING, _kernels.BY_STAYING, _kernels.BY_RESET))
        told = result.first_cycle[named]
        told = told[told >= begin]
        right = int(np.isin(told, real).sum())
        self.true += len(real)
        self.found += right
        self.false += len(told) - right

    whole = True

    def __str__(self) -> str:
        return f"{100 * self.found / self.true:.2f}/{100 * self.false / self.true:.2f}"


def cell(
    truths: list[Truth], row: str, lines: str, seed: int, variant: str = "6502"
) -> Tally | None:
    """Measure one cell, or None where it makes no sense."""
    address, data, rw = LINE_SETS[lines]
    if (row == "dead D" and not data) or (row == "dead A" and address != 0xFFFF):
        return None
    rng = np.random.default_rng([seed, ROWS.index(row), list(LINE_SETS).index(lines)])
    tally = Tally()

    def search(seen: Seen) -> Found:
        return recover(seen, variant)

    for truth in truths:
        if row == "waits":
            if (truth["rdy"] == 1).all():
                continue
            used = {**truth, "begins": fetches(truth).astype(np.uint8)}
        else:
            used = without_waits(truth, variant)
        begins = used["begins"] == 1
        if row == "dead D":
            for bit in rng.permutation(8)[:4].tolist():
                tally.add(clipped(used, address, data & ~(1 << bit), rw), begins, search)
        elif row == "dead A":
            for bit in rng.permutation(16)[:4].tolist():
                tally.add(clipped(used, address & ~(1 << bit), data, rw), begins, search)
        elif row == "bit errors":
            seen = with_errors(clipped(used, address, data, rw), rng, 0.001)
            tally.add(seen, begins, search)
        elif row == "missing":
            keep = rng.random(len(begins)) >= 0.001
            left = chosen(used, keep)
            tally.add(clipped(left, address, data, rw), left["begins"] == 1, search)
        elif row == "windows":
            tally.whole = False
            for start in rng.integers(100, len(begins) - 300, 150).tolist():
                part = {name: column[start : start + 300] for name, column in used.items()}
                tally.add(clipped(part, address, data, rw), part["begins"] == 1, search)
        else:
            tally.add(clipped(used, address, data, rw), begins, search)
    return tally


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--rows", nargs="*", default=list(ROWS), choices=ROWS)
    options.add_argument("--lines", nargs="*", default=list(LINE_SETS), choices=list(LINE_SETS))
    options.add_argument("--own", choices=("6502", "65C02", "R65C02", "W65C02S"))
    asked = options.parse_args()
    folder = os.environ.get("BUSTRACE_REFERENCE_DIR")
    if asked.own is not None:
        truths = own(asked.own, asked.seed)
    elif folder is None:
        raise SystemExit("BUSTRACE_REFERENCE_DIR does not name the reference data")
    else:
        truths = load(Path(folder))
    variant = asked.own or "6502"
    first = np.arange(len(truths[0]["rw"])) < 2000
    recover(clipped(chosen(truths[0], first), 0xFFFF, 0xFF, True), variant)
    print(f"seed {asked.seed}\n{'':12}" + "".join(f"{name:>14}" for name in asked.lines))
    for row in asked.rows:
        print(f"{row:12}", end="", flush=True)
        rates = []
        for lines in asked.lines:
            tally = cell(truths, row, lines, asked.seed, variant)
            print(f"{'-' if tally is None else str(tally):>14}", end="", flush=True)
            rates.append("-" if tally is None else f"{tally.cycles / tally.seconds / 1e6:.2f} M/s")
        print(f"\n{'':12}" + "".join(f"{rate:>14}" for rate in rates))


if __name__ == "__main__":
    main()
