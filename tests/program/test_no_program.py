"""No program where there is none: noise, another kind of CPU, a board that stands still.

Each case comes with its opposite, the same lines of a 6502 that runs, so that nothing passes by
finding nothing anywhere. The other CPUs are inventions that go through their bus as the two other
families of their day do (common practice: makers' data sheets of the Z80 and the 6800): one fetches
in two cycles and refreshes in two more, one has its addresses high byte first, its stack all over
memory, and cycles in which it reads $FFFF.
"""

from __future__ import annotations

import numpy as np
import pytest

from bustrace.program import Kind, recover_program, searched

CYCLES = 30_000
LINES = {"A16+D8": (0xFFFF, 0xFF), "A0-7+D8": (0xFF, 0xFF), "D8": (0, 0xFF), "A16": (0xFFFF, 0)}
RUNS = (Kind.INSTRUCTION, Kind.IRQ, Kind.NMI, Kind.BRK)


def columns(rows):
    """True levels from rows of address, byte and R/W."""
    address, data, rw = np.array(rows[:CYCLES], np.int64).T
    ones = {pin: np.ones(len(rw), np.uint8) for pin in ("res", "irq", "nmi", "rdy", "sync")}
    return {"addr": address, "data": data, "rw": rw, **ones}


class OtherCpu:
    """Runs a random program of its own in random memory."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)
        self.memory = self.rng.integers(0, 256, 0x10000).astype(np.uint8)
        self.pc, self.sp, self.rows = 0x0100, 0x7F00, []

    def read(self, address):
        value = int(self.memory[address & 0xFFFF])
        self.rows.append((address & 0xFFFF, value, 1))
        return value

    def write(self, address, value):
        self.memory[address & 0xFFFF] = value
        self.rows.append((address & 0xFFFF, value, 0))

    def next_byte(self):
        value = self.read(self.pc)
        self.pc = self.pc + 1 & 0xFFFF
        return value

    def run(self):
        while len(self.rows) < CYCLES:
            self.step()
        return columns(self.rows)


class TwoCyclesAFetch(OtherCpu):
    """Every byte of the program takes two cycles, an opcode two more for refresh."""

    refresh = 0

    def step(self):
        opcode = self.next_byte()
        self.rows += [self.rows[-1]]
        self.refresh = self.refresh + 1 & 0x7F
        self.rows += [(self.refresh, 0xFF, 1)] * 2
        kind = opcode % 5
        if kind == 1:
            self.next_byte()
            self.rows += [self.rows[-1]]
        elif kind == 2:
            low, high = self.next_byte(), self.next_byte()
            self.read(low | high << 8)
            self.rows += [self.rows[-1]]
        elif kind == 3:
            for _ in range(2):
                self.sp -= 1
                self.write(self.sp, opcode)
                self.rows += [self.rows[-1]]
            self.pc = int(self.rng.integers(0x10000))
        elif kind == 4:
            self.write(int(self.rng.integers(0x8000, 0x9000)), opcode ^ 0x5A)
            self.rows += [self.rows[-1]]


class HighByteFirst(OtherCpu):
    """Operands high byte first, and a read of $FFFF where the bus is not needed."""

    def step(self):
        opcode = self.next_byte()
        kind = opcode % 5
        if kind == 0:
            self.read(self.pc)
        elif kind == 1:
            self.next_byte()
        elif kind == 2:
            high, low = self.next_byte(), self.next_byte()
            self.read(low | high << 8)
        elif kind == 3:
            offset = self.next_byte()
            self.read(0xFFFF)
            self.read(0xFFFF)
            self.pc = self.pc + offset - (offset & 0x80) * 2 & 0xFFFF
        else:
            high, low = self.next_byte(), self.next_byte()
            self.read(0xFFFF)
            self.write(low | high << 8, opcode ^ 0x5A)


def noise():
    rng = np.random.default_rng(6)
    rows = zip(rng.integers(0, 65536, CYCLES), rng.integers(0, 256, CYCLES),
               rng.integers(0, 2, CYCLES), strict=True)  # fmt: skip
    return columns(list(rows))


def flicker():
    """A board that stands still, with a few bits of noise."""
    rng = np.random.default_rng(7)
    wrong = rng.random((CYCLES, 24)) < 0.002
    bits = wrong @ (1 << np.arange(24))
    return columns([(0x1234 ^ (b & 0xFFFF), 0xEA ^ (b >> 16), 1) for b in bits.tolist()])


def counter():
    """Addresses that only count: a CPU whose data lines all float."""
    data = np.random.default_rng(8).integers(0, 256, CYCLES)
    return columns([(n & 0xFFFF, d, 1) for n, d in enumerate(data.tolist())])


NO_PROGRAM = {
    "noise": noise,
    "counts": counter,
    "stands still": lambda: columns([(0x1234, 0xEA, 1)] * CYCLES),
    "stands still, noisy": flicker,
    "two cycles a fetch": lambda: TwoCyclesAFetch(1).run(),
    "high byte first": lambda: HighByteFirst(1).run(),
}


@pytest.fixture(scope="module", params=NO_PROGRAM)
def levels(request):
    return NO_PROGRAM[request.param]()


@pytest.mark.slow
@pytest.mark.parametrize("lines", LINES)
def test_no_program_is_found_where_there_is_none(levels, lines, clip):
    """No row is called an instruction, and it is said why."""
    address, data = LINES[lines]
    program = recover_program(clip(levels, pins=("RW",), address_mask=address, data_mask=data))
    assert program.method == "none"
    assert not np.isin(program.kind, RUNS).any()
    assert program.reason


@pytest.mark.slow
@pytest.mark.parametrize("lines", LINES)
def test_of_a_cpu_that_runs_the_program_is_found_on_the_same_lines(lines, interrupts_trace, clip):
    """A chip trace from its midst, as long."""
    address, data = LINES[lines]
    trace = {name: column[10_000 : 10_000 + CYCLES] for name, column in interrupts_trace.items()}
    program = recover_program(clip(trace, pins=("RW",), address_mask=address, data_mask=data))
    assert program.method in ("follow", "search")
    begins = np.flatnonzero(trace["sync"] == 1)
    told = program.first_cycle[np.isin(program.kind, RUNS)]
    assert np.isin(begins, told).mean() > 0.98


@pytest.mark.slow
@pytest.mark.parametrize("lines", LINES)
def test_no_more_than_the_first_cycles_are_searched_where_nothing_is(lines, clip, monkeypatch):
    """However long the capture: that there is nothing is soon said."""
    looked: list[int] = []

    def counted(seen, variant):
        looked.append(len(seen))
        return searched_for(seen, variant)

    searched_for = searched.recover
    monkeypatch.setattr(searched, "recover", counted)
    address, data = LINES[lines]
    recover_program(clip(noise(), pins=("RW",), address_mask=address, data_mask=data))
    assert sum(looked) <= 20_000 < CYCLES
