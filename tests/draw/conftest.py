"""Readings to draw, made of a few invented loops: no reader and no recovery takes part."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from bustrace.board import unknown_board
from bustrace.capture.model import Capture
from bustrace.cycles.model import CONTROL_BIT, IN_RESET, Clock, Cycles
from bustrace.hookup.model import Hookup, Tap
from bustrace.program.model import Intent, Kind, Program

PERIOD = 1_000_000
RESET_CYCLES = 8
RESET_LENGTH = 7
# The loop the pretended CPU runs: LDA $0340 / STA $0341 / JMP loop, 11 cycles.
LOOP = (
    # address, data, rw, sync
    (0xE000, 0xAD, 1, 1),
    (0xE001, 0x40, 1, 0),
    (0xE002, 0x03, 1, 0),
    (0x0340, 0x5A, 1, 0),
    (0xE003, 0x8D, 1, 1),
    (0xE004, 0x41, 1, 0),
    (0xE005, 0x03, 1, 0),
    (0x0341, 0x5A, 0, 0),
    (0xE006, 0x4C, 1, 1),
    (0xE007, 0x00, 1, 0),
    (0xE008, 0xE0, 1, 0),
)
PINS = (
    "PHI2",
    "RES",
    "RW",
    "SYNC",
    "IRQ",
    *(f"A{bit}" for bit in range(16)),
    *(f"D{bit}" for bit in range(8)),
)


def _columns(n):
    """Address, data, rw, sync, reset of n cycles: reset, the reset sequence, then the loop."""
    loop = np.array(LOOP)
    lead = RESET_CYCLES + RESET_LENGTH
    rows = loop[(np.arange(n) - lead) % len(LOOP)]
    rows[:lead] = (0x00FF, 0xAA, 1, 0)
    sequence = np.array(
        [
            (0x00FF, 0xAA, 1, 1),
            (0x00FF, 0xAA, 1, 0),
            (0x01FD, 0x00, 1, 0),
            (0x01FC, 0x00, 1, 0),
            (0x01FB, 0x00, 1, 0),
            (0xFFFC, 0x00, 1, 0),
            (0xFFFD, 0xE0, 1, 0),
        ]
    )
    rows[RESET_CYCLES:lead] = sequence[: max(n - RESET_CYCLES, 0)]
    reset = np.arange(n) >= RESET_CYCLES
    return rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], reset


def _capture(n, address, data, rw, sync, reset, select):
    """Transitions: clock edges, and the other lines 150 ns after each fall."""
    levels = {"RES": reset, "RW": rw, "SYNC": sync, "IRQ": np.ones(n)}
    word = np.zeros(n, dtype=np.uint64)
    for pin, level in levels.items():
        word |= level.astype(np.uint64) << np.uint64(PINS.index(pin))
    word |= address.astype(np.uint64) << np.uint64(PINS.index("A0"))
    word |= data.astype(np.uint64) << np.uint64(PINS.index("D0"))
    lines = PINS
    if select:
        lines = (*PINS, "CS_U4")
        word |= (address < 0xE000).astype(np.uint64) << np.uint64(len(PINS))
    fall = np.arange(n, dtype=np.int64) * PERIOD
    time = np.stack([fall, fall + 150_000, fall + PERIOD // 2], axis=1).ravel()
    before = np.concatenate(([word[0]], word[:-1]))
    state = np.stack([before, word, word | np.uint64(1)], axis=1).ravel()
    return Capture(
        mode="timing",
        time_ps=time,
        state=state,
        known=None,
        lines=lines,
        rate=Fraction(24_000_000),
        gaps=np.zeros((0, 2), dtype=np.int64),
        end_ps=n * PERIOD,
        source="tide-gauge.vcd",
    )


def make_reading(
    n=400,
    *,
    stuck_high=0,
    address_known=0xFFFF,
    data_known=0xFF,
    select=True,
    program=True,
    reason=None,
    clock=None,
):
    """A reading of n cycles; `stuck_high` is a mask of address lines high for everyone.

    With `reason`, no cycles were found in the same capture.
    """
    meant, data, rw, sync, reset = _columns(n)
    seen = meant | stuck_high
    capture = _capture(n, seen, data, rw, sync, reset, select)
    taps = [Tap(pin, at, pin) for at, pin in enumerate(PINS)]
    if select:
        taps.append(Tap("CS_U4", len(PINS), "select:U4", inverted=True))
    kept = 0 if reason else n
    control = sum(
        level.astype(np.uint16) << np.uint16(CONTROL_BIT[pin])
        for pin, level in (("RW", rw), ("SYNC", sync), ("RES", reset), ("IRQ", np.ones(n)))
    ).astype(np.uint16)
    mask = np.uint16(sum(1 << CONTROL_BIT[pin] for pin in ("RW", "SYNC", "RES", "IRQ")))
    end = (np.arange(n, dtype=np.int64) + 1) * PERIOD

    def column(value, dtype):
        return np.broadcast_to(np.asarray(value), (n,)).astype(dtype)[:kept].copy()

    cycles = Cycles(
        time_ps=column(end, np.int64),
        rise_ps=column(end - PERIOD // 2, np.int64),
        address=column(seen & address_known, np.uint32),
        address_known=column(address_known, np.uint32),
        data=column(data & data_known, np.uint8),
        data_known=column(data_known, np.uint8),
        control=column(control, np.uint16),
        control_known=column(mask, np.uint16),
        selects=column(seen >= 0xE000, np.uint32),
        selects_known=column(1, np.uint32),
        select_names=("U4",) if select else (),
        owner=column(0, np.uint8),
        other_address=column(0, np.uint32),
        other_address_known=column(0, np.uint32),
        other_data=column(0, np.uint8),
        other_data_known=column(0, np.uint8),
        flags=column(np.where(reset, 0, IN_RESET), np.uint8),
        clock=clock or Clock("PHI2", "phase 2", period_ps=PERIOD),
        reason=reason,
    )
    return SimpleNamespace(
        capture=capture,
        hookup=Hookup(tuple(taps)),
        board=unknown_board(),
        cycles=cycles,
        program=_program(kept if program else 0, meant, data, rw, sync),
    )


def _program(n, meant, data, rw, sync):
    lead = RESET_CYCLES + RESET_LENGTH
    first = np.concatenate(([0], lead + np.flatnonzero(sync[lead:n]))) if n else np.zeros(0, int)
    first = first.astype(np.int64)
    length = np.diff(first, append=n).astype(np.int32)
    code = np.arange(len(first)) > 0
    known = np.full(n, 0xFFFF, dtype=np.uint32)
    return Program(
        first_cycle=first,
        length=length,
        kind=np.where(code, Kind.INSTRUCTION, Kind.RESET).astype(np.uint8),
        opcode=np.where(code, data[first], -1).astype(np.int16) if n else np.zeros(0, np.int16),
        pc=np.where(code, meant[first], -1).astype(np.int32) if n else np.zeros(0, np.int32),
        confidence=np.ones(len(first), dtype=np.float32),
        registers=np.zeros((len(first), 5), dtype=np.uint8),
        registers_known=np.zeros((len(first), 5), dtype=np.uint8),
        intent=Intent.of_columns(
            address=meant[:n].astype(np.uint32),
            address_known=known,
            data=data[:n].astype(np.uint8),
            data_known=np.where(rw[:n] == 0, 0xFF, 0).astype(np.uint8),
            rw=rw[:n].astype(np.uint8),
            sync=sync[:n].astype(np.uint8),
            inside=np.zeros(n, dtype=np.uint8),
        ),
        method="sync" if n else "none",
        searched=np.zeros(len(first), dtype=bool),
        reason=None if n else "SYNC and the address bus were not captured",
    )


@pytest.fixture
def reading_of():
    """Builder of readings, see `make_reading`."""
    return make_reading
