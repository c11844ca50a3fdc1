"""The replay of the board's answers against a plain walk with dictionaries, bit by bit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from banked_boot import board as bell_tower
from drill_readings import boot, tide_gauge
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.board import AddressMap, Board
from bustrace.capture.model import Capture
from bustrace.cycles import (
    CONTROL_BIT,
    IN_RESET,
    OWNER_CPU,
    OWNER_FOREIGN,
    UNSETTLED,
    Clock,
    Cycles,
)
from bustrace.findings import (
    BEHIND,
    DECODER,
    EITHER_WINS,
    EVERY_CHIP,
    FIRST_WINS,
    HEALTHY,
    HIGH_WINS,
    LATE,
    PINS,
    READS,
    SECOND_WINS,
    WEAK_HIGH,
    WRITES,
    Answers,
    Assumption,
    BoardReplay,
    _kernels,
    answers,
)
from bustrace.findings.io_chips import Sheet, sheet_of
from bustrace.hookup import Hookup
from bustrace.program import Kind, Program
from bustrace.program.model import Intent
from bustrace.reading import Reading

Bits = list[int | None]
"""A byte, bit 0 first; None is not known."""


def bits_of(byte: int, known: int) -> Bits:
    return [byte >> i & 1 if known >> i & 1 else None for i in range(8)]


def byte_of(bits: Bits) -> tuple[int, int]:
    value = sum(1 << i for i, bit in enumerate(bits) if bit == 1)
    return value, sum(1 << i for i, bit in enumerate(bits) if bit is not None)


class PlainBoard:
    """What a healthy board answers, told with dictionaries; knows only the board file's tables."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.table = board.map
        self.cells: dict[tuple[str, int], Bits] = {}
        self.written: set[tuple[str, int]] = set()
        self.sheets: dict[str, Sheet] = {}
        self.keeps = 0xFF
        self.pins: dict[str, int] = {}
        self.lose_all()
        for chip in board.mapped:
            if chip.role == "rom" and chip.images:
                for offset, byte in enumerate(chip.images[0].content.tolist()):
                    self.cells[chip.ref, offset] = bits_of(byte, chip.data_mask)

    def register(self, i: int, ref: str, address: int) -> int:
        return int(self.table.inner[i, address & self.pins.get(ref, 0xFFFF)])

    def lose_all(self) -> None:
        """What the I/O chips hold is not known."""
        for chip in self.board.mapped:
            make = sheet_of(chip.part, chip.size) if chip.role == "io" else None
            if make is not None:
                self.sheets[chip.ref] = make("")

    def lose_ram(self) -> None:
        """Writes were missed: any byte of RAM may be another."""
        for (ref, _), cell in self.cells.items():
            if self.board.chip(ref).role == "ram":
                cell[:] = [None] * 8

    def answering(self, address: int, rw: int) -> list[tuple[int, str]]:
        table = self.table
        return [
            (i, ref) for i, ref in enumerate(table.chips) if table.responds[rw, address] >> i & 1
        ]

    def forget(self, address: int, tables: list[AddressMap]) -> None:
        """A write that may have gone to any of these: what it reached is not known."""
        for self.table in tables:
            for i, ref in self.answering(address, 0):
                if self.board.chip(ref).role == "ram":
                    self.cell(i, ref, address)[1][:] = [None] * 8

    def cell(self, i: int, ref: str, address: int) -> tuple[tuple[str, int], Bits]:
        key = (ref, int(self.table.inner[i, address]))
        return key, self.cells.setdefault(key, [None] * 8)

    def write(self, address: int, given: Bits, cycle: int) -> None:
        given = [bit if bit is None or self.keeps >> b & 1 else 0 for b, bit in enumerate(given)]
        for i, ref in self.answering(address, 0):
            if ref in self.sheets:
                self.sheets[ref].write(self.register(i, ref, address), byte_of(given), cycle)
            if self.board.chip(ref).role == "ram":
                key, cell = self.cell(i, ref, address)
                lanes = int(self.board.map.data_masks[i])
                cell[:] = [bit if lanes >> b & 1 else None for b, bit in enumerate(given)]
                self.written.add(key)

    def read(self, address: int, seen: Bits, last: Bits, cycle: int) -> tuple[Bits, list[str]]:
        chips = self.answering(address, 1)
        if not chips:
            return (list(last) if self.table.described[address] else [None] * 8), []
        given_by_sheet = {
            ref: bits_of(*self.sheets[ref].read(self.register(i, ref, address), cycle))
            for i, ref in chips
            if ref in self.sheets
        }
        expected: Bits = []
        for b in range(8):
            given: list[int | None] = []
            for i, ref in chips:
                if self.board.map.data_masks[i] >> b & 1:
                    memory = self.board.chip(ref).role in ("rom", "ram")
                    told = given_by_sheet.get(ref, [None] * 8)
                    given.append(self.cell(i, ref, address)[1][b] if memory else told[b])
            # The low level wins; high only where every driver of the line is.
            level = 0 if 0 in given else None if None in given or not given else 1
            expected.append(level)
        if all(self.board.chip(ref).role in ("rom", "ram") for _, ref in chips):
            for i, ref in chips:
                self.learn(i, ref, address, seen, expected, alone=len(chips) == 1)
        return expected, [ref for _, ref in chips]

    def learn(
        self, i: int, ref: str, address: int, seen: Bits, expected: Bits, alone: bool
    ) -> None:
        """An unknown cell is as it is read; a cell never written follows its latest read."""
        key, cell = self.cell(i, ref, address)
        unwritten = self.board.chip(ref).role == "ram" and key not in self.written
        for b, bit in enumerate(seen):
            if bit is None or not self.board.map.data_masks[i] >> b & 1:
                continue
            new = cell[b] is None and expected[b] != 0
            stray = alone and unwritten and expected[b] is not None and expected[b] != bit
            if new or stray:
                cell[b] = bit


def possible(board: Board, state: int, known: int) -> list[AddressMap]:
    """The maps of all states that fit what is known."""
    return [m for s, m in enumerate(board.maps) if (s ^ state) & known == 0]


def agree(tables: list[AddressMap], address: int) -> bool:
    """Whether they all say the same of an address."""
    told = set()
    for t in tables:
        who = int(t.responds[0, address] | t.responds[1, address])
        inner = [int(t.inner[i, address]) for i in range(len(t.chips)) if who >> i & 1]
        columns = (t.responds, t.asserts, t.asserts_known)
        told.add((tuple(int(c[rw, address]) for c in columns for rw in (0, 1)), tuple(inner)))
    return len(told) == 1


def resets_of(replay: BoardReplay, reading: Reading) -> dict[int, bool]:
    """Cycles with RES low or in which the CPU begins anew; whether that is sure to be a reset."""
    found: dict[int, bool] = {}
    low = [k for k in range(replay.n) if reading.cycles.flags[k] & IN_RESET]
    for k in low:
        run = [k]
        while run[0] - 1 in low:
            run.insert(0, run[0] - 1)
        while run[-1] + 1 in low:
            run.append(run[-1] + 1)
        writes = any(replay.read[c] == 0 and replay.meant_address[c] >= 0 for c in run)
        found[k] = len(run) >= 3 and not writes
    program = reading.program
    return found | {int(k): True for k in program.first_cycle[program.kind == Kind.RESET]}


def walk(
    replay: BoardReplay, reading: Reading, keeps: int = 0xFF, pins: dict[str, int] | None = None
) -> list[tuple[int, int, int]]:
    """Expected byte, its known bits, and the drivers, for each cycle.

    Chips get those bits of what is written that are in `keeps`, and `pins` of the address.
    """
    plain = PlainBoard(reading.board)
    plain.keeps, plain.pins = keeps, pins or {}
    rows = []
    last = bits_of(0, 0)
    resets = resets_of(replay, reading)
    for k in range(replay.n):
        if k in resets and not resets[k]:
            plain.lose_all()
        elif k in resets:
            for sheet in plain.sheets.values():
                sheet.reset()
        seen = bits_of(int(replay.data[k]), int(replay.data_known[k]))
        address = int(replay.meant_address[k])
        if address < 0:
            rows.append((0, 0, 0))
            if k and reading.cycles.owner[k] == OWNER_CPU and k not in resets:
                plain.lose_all()
            if replay.unseen[k] == _kernels.MAY_WRITE:
                plain.lose_ram()
            last = seen if k else bits_of(0, 0)
            continue
        tables = possible(reading.board, int(replay.state[k]), int(replay.state_known[k]))
        plain.table = tables[0]
        if not agree(tables, address):
            rows.append((0, 0, 0))
            if replay.read[k] == 0:
                plain.forget(address, tables)
                rows[-1] = (int(replay.written[k]), int(replay.written_known[k]), 0)
        elif replay.read[k] == 0:
            given = bits_of(int(replay.written[k]), int(replay.written_known[k]))
            # Where the clip saw another level, the cell may hold either.
            plain.write(
                address,
                [None if s is not None and s != g else g for g, s in zip(given, seen, strict=True)],
                k,
            )
            rows.append((int(replay.written[k]), int(replay.written_known[k]), 0))
        else:
            expected, who = plain.read(address, seen, last, k)
            mask = sum(1 << replay.chips.index(ref) for ref in who)
            rows.append((*byte_of(expected), mask))
            if not who:  # what is not seen of a bus that nobody drives is as it was
                seen = [old if bit is None else bit for bit, old in zip(seen, last, strict=True)]
        # The recording may have begun within cycle 0: what the bus held in it is not known.
        last = seen if k else bits_of(0, 0)
    return rows


def check(
    replay: BoardReplay, reading: Reading, assumption: Assumption = HEALTHY, **faulty: Any
) -> None:
    told = replay.replay(assumption)
    for k, (byte, known, drivers) in enumerate(walk(replay, reading, **faulty)):
        assert int(told.expected_known[k]) == known, k
        assert int(told.expected[k]) & known == byte & known, k
        assert int(told.drivers[k]) == drivers, k


POOL = np.array(
    [
        *(*range(6), 0x802, 0x1FC, 0x1FD, 0x8000, 0x8001, 0xA000, 0x6000, 0x6001, 0xC000),
        *(*range(0xE000, 0xE006), 0xFFFC, 0xFFFD),
    ],
    dtype=np.uint32,
)
"""RAM and a mirror of it, the stack, ports, the write-only latch, nothing, ROM."""


BANKED = np.array(
    [*range(3), 0x6000, *([0x8000] * 6), *range(0xA000, 0xA004), 0xA100, 0xE000, 0xE001, 0xC000],
    dtype=np.uint32,
)
"""RAM, the latch, the banked ROM with RAM under it, the other ROM, nothing."""


def random_reading(
    seed: int, board: Board, n: int = 400, pool: np.ndarray = POOL, resets: float = 0.0
) -> Reading:
    """Cycles at few addresses with random bytes, gaps in what is known, strangers on the bus."""
    rng = np.random.default_rng(seed)
    address = rng.choice(pool, n)
    rw = (rng.random(n) < 0.6).astype(np.uint8)
    data = rng.integers(256, size=n, dtype=np.uint8)
    # Often the right byte of the ROM, and often the same few bytes, so that cells agree too.
    image = board.image_bytes("U5")[address]
    right = (image >= 0) & (rng.random(n) < 0.7)
    data = np.where(right, image, np.where(rng.random(n) < 0.5, 0x5A, data)).astype(np.uint8)
    data_known = np.where(rng.random(n) < 0.85, 0xFF, rng.integers(256, size=n)).astype(np.uint8)
    seen = np.where(rng.random(n) < 0.95, address, address ^ 1).astype(np.uint32)
    seen_known = np.where(rng.random(n) < 0.9, 0xFFFF, 0xFFF0).astype(np.uint32)
    control = rw.astype(np.uint16) << np.uint16(CONTROL_BIT["RW"])
    rw_known = (rng.random(n) < 0.95).astype(np.uint16) << np.uint16(CONTROL_BIT["RW"])
    none32, none8 = np.zeros(n, np.uint32), np.zeros(n, np.uint8)
    time_ps = np.arange(1, n + 1, dtype=np.int64) * 1_000_000
    cycles = Cycles(
        time_ps=time_ps,
        rise_ps=time_ps - 500_000,
        address=seen & seen_known,
        address_known=seen_known,
        data=data & data_known,
        data_known=data_known,
        control=control & rw_known,
        control_known=rw_known,
        selects=none32,
        selects_known=none32.copy(),
        select_names=(),
        owner=np.where(rng.random(n) < 0.95, OWNER_CPU, OWNER_FOREIGN).astype(np.uint8),
        other_address=none32.copy(),
        other_address_known=none32.copy(),
        other_data=none8,
        other_data_known=none8.copy(),
        flags=(
            np.where(rng.random(n) < 0.03, UNSETTLED, 0)
            | np.where(np.random.default_rng(seed + 1).random(n) < resets, IN_RESET, 0)
        ).astype(np.uint8),
        clock=Clock(line="PHI2", role="phase 2", period_ps=1_000_000),
    )
    followed = rng.random(n) < 0.8
    writes = followed & (rw == 0)
    intent = Intent.of_columns(
        address=np.where(followed, address, 0).astype(np.uint32),
        address_known=np.where(followed, 0xFFFF, 0).astype(np.uint32),
        data=np.where(writes, rng.integers(256, size=n), 0).astype(np.uint8),
        data_known=np.where(writes, rng.choice([0xFF, 0xFF, 0x0F], n), 0).astype(np.uint8),
        rw=np.where(followed, rw, 2).astype(np.uint8),
        sync=np.full(n, 2, np.uint8),
        inside=np.zeros(n, np.uint8),
    )
    program = Program(
        first_cycle=np.zeros(1, np.int64),
        length=np.full(1, n, np.int32),
        kind=np.full(1, Kind.LOST, np.uint8),
        opcode=np.full(1, -1, np.int16),
        pc=np.full(1, -1, np.int32),
        confidence=np.zeros(1, np.float32),
        registers=np.zeros((1, 5), np.uint8),
        registers_known=np.zeros((1, 5), np.uint8),
        intent=intent,
        method="none",
        searched=np.zeros(1, bool),
    )
    capture = Capture(
        mode="state",
        time_ps=np.empty(0, np.int64),
        state=np.empty(0, np.uint64),
        known=None,
        lines=(),
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=0,
    )
    return Reading(capture, Hookup(()), board, cycles, program)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_random_cycles_are_answered_as_the_plain_walk_says(seed):
    """Every expected byte, every known bit, every driver, whatever the cycles are."""
    reading = random_reading(seed, tide_gauge())
    check(BoardReplay(reading), reading)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("resets", [True, False])
def test_random_cycles_of_a_banked_board_are_answered_in_their_bank(seed, resets):
    """The latch is written at random, now and then with bits that are not known."""
    reading = random_reading(seed, bell_tower(resets), pool=BANKED, resets=0.01)
    replay = BoardReplay(reading)
    check(replay, reading)
    state = np.where(replay.healthy.bank >= 0, replay.banks.states[replay.healthy.bank], 0)
    sure = (replay.healthy.bank >= 0) & (replay.state_known == 7)
    assert np.array_equal(state[sure], replay.state[sure])
    assert len(np.unique(state[sure])) > 1


@pytest.mark.slow
@pytest.mark.parametrize("faults", [(), ("silent:U4",), ("always:U6",), ("doubled:U5+U4",)])
def test_boots_are_answered_as_the_plain_walk_says(faults):
    """A healthy board's answers are compared with, whatever the board that was captured did."""
    reading = boot(*faults, cycles=2000)
    check(BoardReplay(reading), reading)


REGISTERS = np.array([*range(0x8000, 0x8010), 0x10, 0xE000], dtype=np.uint32)
"""Those of the demo board's 6522."""


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_an_io_chip_that_gets_other_accesses_gives_what_its_sheet_says_of_these(seed):
    reading = random_reading(seed, tide_gauge(), pool=REGISTERS)
    replay = BoardReplay(reading)
    check(replay, reading)
    told = replay.read == 1
    assert (replay.healthy.expected_known[told] != 0).sum() > 20
    check(replay, reading, Assumption(write_and=0xF7), keeps=0xF7)
    check(replay, reading, Assumption(pin_chips=4, pin_and=0xFFFD), pins={"U6": 0xFFFD})


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("other", ["U5", "U7"])
def test_what_a_sheet_decides_holds_beside_another_chip(other, seed):
    """The ROM answers at the port's addresses, too, or a chip without a sheet: a bit that either
    has low is low, and high only where both are known to be.
    """
    board = tide_gauge()
    responds = board.map.responds.copy()
    responds[1, REGISTERS[:16]] |= np.uint32(1 << board.map.index(other))
    both = replace(board.map, responds=responds)
    reading = random_reading(seed, replace(board, map=both), pool=REGISTERS)
    replay = BoardReplay(reading)
    check(replay, reading)
    together = (replay.read == 1) & (np.bitwise_count(replay.healthy.drivers) == 2)
    assert (replay.healthy.expected_known[together] != 0).sum() > 20


def test_an_io_chip_without_a_sheet_may_get_other_bytes():
    board = tide_gauge()
    chips = tuple(replace(c, part="custom") if c.ref == "U6" else c for c in board.chips)
    reading = random_reading(1, replace(board, chips=chips), pool=REGISTERS)
    told = BoardReplay(reading).replay(Assumption(write_and=0xF7))
    assert not told.expected_known[told.drivers == 1 << 2].any()


class PlainInts:
    """An array whose items are Python ints, so that a kernel's text runs as numba types it."""

    def __init__(self, array: np.ndarray) -> None:
        self.array = array
        self.shape = array.shape

    def __getitem__(self, at: Any) -> int | float | bool:
        item: int | float | bool = self.array[at].item()
        return item

    def __setitem__(self, at: Any, value: float) -> None:
        if self.array.dtype.kind == "u":
            value = int(value) & (1 << 8 * self.array.itemsize) - 1
        self.array[at] = value


ASSUMPTIONS = {
    "healthy": HEALTHY,
    "A2 low for the chips": Assumption(chips_and=0xFFFB, decoder_and=0xFFFB),
    "A0 high at one chip": Assumption(pin_chips=1, pin_or=1),
    "halves of the address alike at a chip": Assumption(pin_chips=1, pin_half=3),
    "the other half at a chip": Assumption(pin_chips=1, pin_half=-3),
    "A0 and A1 joined": Assumption(short_a=0, short_b=1),
    "A0 and A1 joined behind the clip": Assumption(short_a=0, short_b=1, short_place=BEHIND),
    "A0 and A13 joined at the decoder": Assumption(short_a=0, short_b=13, short_place=DECODER),
    "A0 and A1 joined at a chip": Assumption(short_a=0, short_b=1, short_place=PINS + 3),
    "D1 and D4 joined behind": Assumption(data_short_a=1, data_short_b=4, data_short_place=BEHIND),
    "D1 and D4 joined in reads": Assumption(data_short_a=1, data_short_b=4, data_short_place=READS),
    "D1 and D4 joined in writes": Assumption(
        data_short_a=1, data_short_b=4, data_short_place=WRITES
    ),
    "D1 and D4 joined at a chip": Assumption(data_short_a=1, data_short_b=4, data_short_place=PINS),
    "A0 and A1 joined, the high level wins": Assumption(short_a=0, short_b=1, short_wins=HIGH_WINS),
    "D1 follows D4": Assumption(data_short_a=1, data_short_b=4, short_wins=SECOND_WINS),
    "D4 follows D1 in reads": Assumption(
        data_short_a=1, data_short_b=4, data_short_place=READS, short_wins=FIRST_WINS
    ),
    "D1 and D4 joined, the high level wins": Assumption(
        data_short_a=1, data_short_b=4, short_wins=HIGH_WINS
    ),
    "chip 3 always, the high level wins": Assumption(always=8, fight=HIGH_WINS),
    "chip 3 always, and the stronger": Assumption(always=8, fight=FIRST_WINS, strong=3),
    "chip 2 always, weaker than the ROM": Assumption(
        always=4, fight=FIRST_WINS, strong=2, yields=8
    ),
    "D2 open at a chip": Assumption(data_open_chip=0, data_open=4),
    "R/W low at the decoder": Assumption(rw_decoder=0),
    "R/W high at the RAM": Assumption(rw_line_chip=0, rw_line_seen=1),
    "R/W low at the RAM": Assumption(rw_line_chip=0, rw_line_seen=0),
    "select 0 off behind its clip": Assumption(select_off=1, select_hidden=1),
    "A1 high at the clip": Assumption(clip_or=2),
    "D3 low in reads": Assumption(read_and=0xF7),
    "D3 low in writes": Assumption(write_and=0xF7, write_clip_and=0xF7),
    "D1 and D4 joined": Assumption(data_short_a=1, data_short_b=4),
    "D0 high at one chip": Assumption(data_pin_chip=0, data_pin_or=1),
    "chip 0 silent": Assumption(silent=1),
    "chip 2 always": Assumption(always=4),
    "chip 0 also in ROM reads": Assumption(doubled=3, doubled_by=0),
    "chips 0 and 3 swapped": Assumption(swap_a=0, swap_b=3),
    "R/W high": Assumption(rw_seen=1, rw_clip=1),
    "content in doubt": Assumption(loose=3),
    "RAM forgets": Assumption(forgets=1, forgets_after=20, forgets_rows=3),
    "chip 3 always, by turns": Assumption(always=8, fight=EITHER_WINS),
    "highs of D2 weak at the ROM": Assumption(weak_chip=3, weak_lines=4, weak_way=WEAK_HIGH),
    "D5 weak": Assumption(weak_chip=EVERY_CHIP, weak_lines=32, weak_way=WEAK_HIGH),
    "RAM late": Assumption(weak_chip=0, weak_lines=255, weak_way=LATE),
    "the clip of select 0 is off": Assumption(select_clip=0, select_clip_on=1),
    "a cell low": Assumption(cell_chip=0, cell=2, cell_and=0xFE),
    "a block of cells low": Assumption(cell_chip=3, cell=2, cell_block=7, cell_and=0xFE),
    "select 0 off": Assumption(select_off=1),
    "select 1 on": Assumption(select_on=1),
    "chip 0 gets nothing": Assumption(deaf=1),
    "a bank bit low": Assumption(state_and=0xFFFE),
    "the latch never set": Assumption(latch_dead=7),
    "I/O chip 2 takes nothing": Assumption(io_ill=2, io_way=1),
    "I/O chip 2 gets nothing": Assumption(deaf=4),
    "D3 high at an I/O chip": Assumption(data_pin_chip=2, data_pin_or=8),
    "A0 low at an I/O chip": Assumption(pin_chips=4, pin_and=0xFFFE),
    "chips 2 and 1 swapped": Assumption(swap_a=2, swap_b=1),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", ASSUMPTIONS)
def test_the_compiled_kernel_does_what_its_text_says(name, monkeypatch):
    """Interpreted by Python with plain integers, the same source gives the same columns."""
    banked = "latch" in name or "bank" in name
    reading = (
        random_reading(6502, bell_tower(), n=300, pool=BANKED, resets=0.02)
        if banked
        else random_reading(6502, tide_gauge(), n=300)
    )
    compiled = BoardReplay(reading).replay(ASSUMPTIONS[name])

    def interpreted(*arguments: Any) -> Any:
        return _kernels.replay_board.py_func(
            *(PlainInts(a) if isinstance(a, np.ndarray) else a for a in arguments)
        )

    monkeypatch.setattr(answers, "replay_board", interpreted)
    plain: Answers = BoardReplay(reading).replay(ASSUMPTIONS[name])
    for column in ("expected", "expected_known", "drivers", "bank", "cost"):
        assert np.array_equal(getattr(plain, column), getattr(compiled, column)), column
    assert plain.total == compiled.total
    assert plain.gain == pytest.approx(compiled.gain)
    assert plain.onset == compiled.onset


def test_every_slot_of_the_assumption_is_tried():
    """The list above moves each field of the assumption at least once, but for mask pairs."""
    moved = {
        field
        for assumption in ASSUMPTIONS.values()
        for field in Assumption._fields
        if getattr(assumption, field) != getattr(HEALTHY, field)
    }
    pairs = {name[: -len("_and")] for name in moved if name.endswith("_and")}
    pairs |= {name[: -len("_or")] for name in moved if name.endswith("_or")}
    missing = {
        name
        for name in Assumption._fields
        if name not in moved and name.removesuffix("_and").removesuffix("_or") not in pairs
    }
    assert missing == set()
