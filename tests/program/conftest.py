"""Cycles made from true bus activity, as a set of clips would have shown it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bustrace.cpu import Executor
from bustrace.cycles.model import CONTROL_BIT, IN_RESET, OWNER_CPU, Clock, Cycles

PINS = {"RW": "rw", "SYNC": "sync", "RES": "res", "IRQ": "irq", "NMI": "nmi", "RDY": "rdy"}
ALL_PINS = tuple(PINS)


def cycles_from(
    truth: Mapping[str, Any],
    pins: tuple[str, ...] = ALL_PINS,
    address_mask: int = 0xFFFF,
    data_mask: int = 0xFF,
    keep: slice | np.ndarray | None = None,
) -> Cycles:
    """Cycles with only the chosen lines captured.

    Parameters
    ----------
    truth : mapping
        Arrays ``addr data rw sync res irq nmi rdy``.
    pins : tuple of str
        Control pins that are captured.
    address_mask, data_mask : int
        Address and data bits that are captured.
    keep : slice, index array or None
        The cycles that the capture holds; None for all.
    """
    chosen = slice(None) if keep is None else keep
    column = {name: np.asarray(truth[name])[chosen] for name in ("addr", "data", *PINS.values())}
    n = len(column["addr"])
    control = np.zeros(n, np.uint16)
    known = 0
    for pin in pins:
        control |= column[PINS[pin]].astype(np.uint16) << np.uint16(CONTROL_BIT[pin])
        known |= 1 << CONTROL_BIT[pin]
    flags = np.zeros(n, np.uint8)
    if "RES" in pins:
        flags[column["res"] == 0] |= IN_RESET
    time_ps = np.arange(1, n + 1, dtype=np.int64) * 1_000_000
    none32 = np.zeros(n, np.uint32)
    none8 = np.zeros(n, np.uint8)
    return Cycles(
        time_ps=time_ps,
        rise_ps=time_ps - 500_000,
        address=(column["addr"] & address_mask).astype(np.uint32),
        address_known=np.full(n, address_mask, np.uint32),
        data=(column["data"] & data_mask).astype(np.uint8),
        data_known=np.full(n, data_mask, np.uint8),
        control=control,
        control_known=np.full(n, known, np.uint16),
        selects=none32,
        selects_known=none32.copy(),
        select_names=(),
        owner=np.full(n, OWNER_CPU, np.uint8),
        other_address=none32.copy(),
        other_address_known=none32.copy(),
        other_data=none8,
        other_data_known=none8.copy(),
        flags=flags,
        clock=Clock(line="PHI2", role="phase 2", period_ps=1_000_000),
    )


def load_truth(path: Path) -> dict[str, np.ndarray]:
    with np.load(path) as stored:
        return {name: stored[name] for name in stored.files}


def true_fetches(truth: Mapping[str, Any]) -> np.ndarray:
    """First cycle of every opcode fetch; a fetch that RDY repeats counts once."""
    sync = np.asarray(truth["sync"]) == 1
    begins = sync.copy()
    begins[1:] &= ~sync[:-1]
    return np.flatnonzero(begins)


def executed(code: bytes, n: int, p: int = 0x24) -> dict[str, np.ndarray]:
    """Bus activity of a program at $F000, from RES low on, made by the executor.

    RAM is everywhere else and reads 0 before it is written; P is the status before the reset.
    """
    memory = np.zeros(0x10000, np.uint8)
    memory[0xF000 : 0xF000 + len(code)] = np.frombuffer(code, np.uint8)
    memory[0xFFFC:0xFFFE] = 0x00, 0xF0
    cpu = Executor("6502", p=p, s=0x80, pc=None)
    names = ("addr", "data", "rw", "sync", "res", "irq", "nmi", "rdy")
    rows = []
    for cycle in range(n):
        res = int(cycle >= 10)
        if not cpu.rw:
            memory[cpu.address] = cpu.data_out
        byte = int(memory[cpu.address])
        rows.append((cpu.address, byte, cpu.rw, cpu.sync if res else 0, res, 1, 1, 1))
        cpu.clock(byte, res=res)
    return dict(zip(names, np.array(rows, np.uint16).T, strict=True))


@pytest.fixture(scope="session")
def execute():
    """The function that runs a short program of the test's own."""
    return executed


@pytest.fixture(scope="session")
def clip():
    """The function that turns true bus activity into `Cycles`."""
    return cycles_from


@pytest.fixture(scope="session")
def fetches():
    """The function that finds the true opcode fetches."""
    return true_fetches


@pytest.fixture(scope="session")
def interrupts_trace(reference_dir: Path) -> dict[str, np.ndarray]:
    """80,000 cycles with IRQ and NMI pulses, from a transistor-level simulation."""
    return load_truth(reference_dir / "chip_traces" / "exer_interrupts.npz")


@pytest.fixture(scope="session")
def rdy_trace(reference_dir: Path) -> dict[str, np.ndarray]:
    """60,000 cycles with RDY waits, from a transistor-level simulation."""
    return load_truth(reference_dir / "chip_traces" / "exer_rdy.npz")


@pytest.fixture(scope="session")
def board_truth(captures_dir: Path):
    """Loader of the true cycles of a named capture."""
    return lambda name: load_truth(captures_dir / f"{name}.truth.npz")
