"""The search for instructions without SYNC, on programs of the tests' own and on chip traces.

External witness: `chip_traces/` of the reference data, SYNC of a transistor-level simulation of the
NMOS 6502. For the W65C02S, and for registers, the executor runs random programs; it is held to the
per-cycle reference data by the tests of the CPU.
"""

from __future__ import annotations

import numpy as np
import pytest
from random_captures import NAMES, part_of, random_program, seen_of

from bustrace.cpu import CpuState, Executor, replay
from bustrace.program import _kernels
from bustrace.program.search import recover, search


def with_bit_errors(truth, rate):
    """Every bit of the buses wrong at a rate."""
    rng = np.random.default_rng(4)
    bits = (rng.random((len(truth["rw"]), 24)) < rate) @ (1 << np.arange(24))
    part = dict(truth)
    part["addr"] = truth["addr"] ^ (bits & 0xFFFF).astype(np.uint16)
    part["data"] = truth["data"] ^ (bits >> 16).astype(np.uint8)
    return part


def fetches_found(found):
    """Cycles in which the search says that an instruction or interrupt begins."""
    idle = (_kernels.BY_NOTHING, _kernels.BY_STAYING, _kernels.BY_RESET)
    return found.first_cycle[~np.isin(found.edge, idle)]


def shares(found, begins, after=0):
    """Fetches found, and claimed where there is none, in per cent of those there are."""
    real = np.flatnonzero(begins)
    real, told = real[real >= after], fetches_found(found)
    told = told[told >= after]
    right = np.isin(told, real).sum()
    return 100 * right / len(real), 100 * (len(told) - right) / len(real)


@pytest.fixture(scope="module")
def usable(interrupts_trace):
    """Part of a chip trace: every cycle is one the CPU could use."""
    return part_of(interrupts_trace, slice(20_000))


@pytest.mark.slow
@pytest.mark.parametrize("lines", ["A16+D8+RW", "A0-7+D8+RW", "A0-3+D8+RW", "D8+RW", "D8"])
def test_every_fetch_of_a_chip_trace_is_found(usable, lines):
    """With data lines, and with ever fewer others, interrupts included."""
    found, false = shares(recover(seen_of(usable, lines)), usable["sync"] == 1, after=30)
    # Without R/W what the last cycles were is open: nothing follows that would tell.
    assert found >= (99.98 if lines == "D8" else 100)
    assert false == 0


@pytest.mark.slow
def test_addresses_without_data_give_nearly_every_fetch(usable):
    """The opcodes are not known then, only their shapes on the bus."""
    part = part_of(usable, slice(4000))
    result = recover(seen_of(part, "A16+RW"))
    found, false = shares(result, part["sync"] == 1, after=30)
    assert found > 99.2
    assert false < 1
    assert (result.opcode[result.edge == _kernels.BY_INSTRUCTION] == -1).all()


@pytest.mark.slow
def test_a_dead_data_line_leaves_twins_apart_with_addresses(usable):
    """Opcodes that differ in the dead line are told by what they do; the loser is kept."""
    result = recover(seen_of(usable, "A16+D8+RW", dead_data=0x20))
    found, false = shares(result, usable["sync"] == 1, after=30)
    assert found > 99.9
    assert false < 0.1
    rows = result.edge == _kernels.BY_INSTRUCTION
    told = result.opcode[rows]
    right = told == usable["data"][result.first_cycle[rows]]
    assert right.mean() > 0.8
    wrong = result.other[rows][~right] == usable["data"][result.first_cycle[rows]][~right]
    assert wrong.mean() > 0.8


@pytest.mark.slow
@pytest.mark.parametrize(("lines", "least"), [("A16+D8+RW", 99.8), ("D8+RW", 99.0)])
def test_missing_cycles_cost_only_their_own_instruction(usable, lines, least):
    """One cycle in a thousand is not in the capture."""
    keep = np.random.default_rng(3).random(len(usable["rw"])) >= 0.001
    part = part_of(usable, keep)
    found, false = shares(recover(seen_of(part, lines)), part["sync"] == 1, after=30)
    assert found > least
    assert false < 1


@pytest.mark.slow
@pytest.mark.parametrize(("lines", "least"), [("A16+D8+RW", 99.95), ("D8+RW", 99.8)])
def test_bit_errors_cost_little(usable, lines, least):
    """One captured bit in a thousand is wrong."""
    part = with_bit_errors(usable, 0.001)
    found, false = shares(recover(seen_of(part, lines)), part["sync"] == 1, after=30)
    assert found > least
    assert false < 1


@pytest.mark.slow
def test_waits_that_were_not_captured_are_skipped(rdy_trace):
    """RDY stretches cycles, and the capture has no RDY line."""
    part = part_of(rdy_trace, slice(20_000))
    begins = part["sync"] == 1
    begins[1:] &= part["sync"][:-1] == 0
    found, false = shares(recover(seen_of(part, "A16+D8+RW")), begins, after=30)
    assert found > 99.7
    assert false < 0.5


@pytest.mark.slow
def test_windows_change_nothing(usable):
    """The capture taken in at once or bit by bit gives the same rows and registers."""
    seen = seen_of(part_of(usable, slice(6000)), "D8+RW")
    whole = search(seen, window=100_000)
    for window in (100, 1000, 4096):
        parts = search(seen, window=window)
        for name in ("first_cycle", "edge", "opcode", "other", "registers", "known", "score"):
            np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name), name)


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "65C02", "R65C02", "W65C02S"])
@pytest.mark.parametrize("lines", ["A16+D8+RW", "D8+RW"])
def test_random_programs_of_every_part(variant, lines):
    """Rows and registers: whatever is called known is right."""
    truth = random_program(variant, seed=11, n=6000)
    result = recover(seen_of(truth, lines), variant)
    found, false = shares(result, truth["sync"] == 1)
    assert found > 98.5
    assert false < 1.5
    late = (result.first_cycle > 200) & np.isin(result.first_cycle, np.flatnonzero(truth["sync"]))
    rows = truth["registers"][result.first_cycle[late]]
    if lines == "A16+D8+RW":
        off = (rows ^ result.registers[late]) & result.known[late]
        off[:, 5] &= 0xCF
        assert (off == 0).all(axis=1).mean() > 0.999
        assert (result.known[late][:, 1:5] == 0xFF).mean() > 0.7


@pytest.mark.slow
@pytest.mark.parametrize("lines", ["A16+D8+RW", "A0-7+D8+RW"])
def test_registers_known_in_the_midst_of_a_program_are_right(interrupts_trace, lines):
    """Started anywhere, from 200 cycles on: none wrong, and nearly all known.

    What they truly are is replayed from the reset of the recording.
    """
    trace = interrupts_trace
    pins = {name: trace[name] for name in ("res", "irq", "nmi", "rdy")}
    truth = replay(CpuState.at_reset(), trace["data"], **pins)
    rows = {int(cycle): row for row, cycle in enumerate(truth.first_cycle)}
    wrong = known = 0
    total = 0
    for start in np.random.default_rng(8).integers(200, 79_000, 8).tolist():
        result = recover(seen_of(part_of(trace, slice(start, start + 1000)), lines))
        late = (result.first_cycle > 200) & (result.edge == _kernels.BY_INSTRUCTION)
        at = np.array([rows[start + int(cycle)] for cycle in result.first_cycle[late]])
        off = (truth.registers[at] ^ result.registers[late]) & result.known[late]
        off[:, 5] &= 0xCF
        wrong += int(off.any(axis=1).sum())
        known += int((result.known[late][:, 1:5] == 0xFF).sum())
        total += 4 * int(late.sum())
    assert wrong == 0
    assert known > 0.9 * total


def test_the_search_finds_a_short_program(execute):
    """Every instruction of a loop, its opcodes, and the registers before them."""
    code = bytes.fromhex("a205 a9f0 9d0002 ca d0fa 4c00f0".replace(" ", ""))
    truth = execute(code, 120)
    keep = slice(19, None)
    part = part_of(truth, keep)
    result = recover(seen_of(part, "D8+RW"))
    np.testing.assert_array_equal(fetches_found(result), np.flatnonzero(part["sync"]))
    rows = result.edge == _kernels.BY_INSTRUCTION
    np.testing.assert_array_equal(
        result.opcode[rows], part["data"][result.first_cycle[rows]].astype(np.int16)
    )
    stores = np.flatnonzero(result.opcode == 0x9D)
    assert result.registers[stores[0], 2] == 5
    assert result.known[stores[0], 2] == 0xFF


def test_what_was_pushed_is_foretold_when_it_is_pulled(execute):
    """A return speaks for itself: the two bytes that it pulls are those that the call pushed."""
    code = bytes.fromhex("2006f04c00f060")
    truth = part_of(execute(code, 120), slice(30, None))
    result = recover(seen_of(truth, "D8+RW"))
    returns = np.flatnonzero(result.opcode == 0x60)[1:-1]
    calls = np.flatnonzero(result.opcode == 0x20)[1:-1]
    assert len(returns) > 3
    assert (result.score[returns] > 20).all()
    assert (result.score[calls] > 20).all()


def test_no_cycles_give_no_rows():
    """An empty capture is no error."""
    empty = {name: np.zeros(0, np.uint16) for name in ("addr", "data", "rw")}
    assert len(recover(seen_of(empty, "A16+D8+RW"))) == 0


def test_random_bytes_are_no_program():
    """Most cycles of noise are not explained."""
    rng = np.random.default_rng(5)
    noise = {
        "addr": rng.integers(0, 0x10000, 2000),
        "data": rng.integers(0, 256, 2000),
        "rw": rng.integers(0, 2, 2000),
    }
    result = recover(seen_of(noise, "A16+D8+RW"))
    lengths = np.diff(result.first_cycle, append=2000)
    explained = lengths[result.loss < 10].sum()
    assert explained < 100


@pytest.mark.parametrize("lines", ["A16+D8+RW", "D8+RW"])
def test_a_wait_for_an_interrupt_ends_with_it(lines):
    """WAI reads one place until the IRQ comes; the rows in between are one stay, and no opcodes."""
    memory = np.full(0x10000, 0xEA, np.uint8)
    memory[0x8000:0x8008] = np.frombuffer(bytes.fromhex("e610e8cbf8d84c00"), np.uint8)
    memory[0x8008], memory[0xFFFE:] = 0x80, (0x00, 0x90)
    memory[0x9000:0x9003] = 0xE6, 0x11, 0x40
    cpu = Executor("W65C02S", s=0xF0, pc=0x8000, p=0x20)
    rows = []
    for n in range(900):
        byte = int(memory[cpu.address]) if cpu.rw else cpu.data_out
        if not cpu.rw:
            memory[cpu.address] = byte
        rows.append((cpu.address, byte, cpu.rw, cpu.sync, n))
        cpu.clock(byte, irq=int(n % 100 > 3))
    truth = {name: np.array(c) for name, c in zip(NAMES, zip(*rows, strict=True), strict=True)}
    result = recover(seen_of(truth, lines), "W65C02S")
    begins = np.flatnonzero(truth["sync"])
    told = fetches_found(result)
    assert (truth["data"][begins] == 0xCB).sum() > 5
    np.testing.assert_array_equal(
        told[(told > 30) & (told < 880)], begins[(begins > 30) & (begins < 880)]
    )
    lengths = np.diff(result.first_cycle, append=len(truth["sync"]))
    assert lengths[result.edge == _kernels.BY_STAYING].sum() > 300
