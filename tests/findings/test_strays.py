"""Stray samples and slipped clips on a healthy board are no faults."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from drill_readings import (
    FIXTURES,
    boot,
    first_class,
    made_up,
    only,
    read,
    reread,
    rules,
    run,
    tide_gauge,
)

from bustrace import diagnose
from bustrace.board import load_board
from bustrace.cpu import die_of
from bustrace.findings import find_all, gather, observe
from bustrace.program import Kind
from bustrace.program.follow import follow
from bustrace.program.repairs import _misread_then
from bustrace.program.slipped import without_clips
from bustrace.program.thread import Thread
from bustrace.program.trouble import strictness


def faults(reading):
    return rules(find_all(reading), "fault")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_noise_is_no_fault(seed):
    """One sample in 100,000 wrong, on any line, boots of 6,000 cycles."""
    assert faults(boot(cycles=6000, seed=seed, noise=1e-5)) == set()


@pytest.mark.parametrize(
    ("line", "cycle"),
    [("RES", 1149), ("D2", 1196), ("D1", 1270), ("D7", 1793), ("D1", 39), ("D2", 1074)],
)
def test_one_stray_sample_is_no_fault(line, cycle):
    """RES low for one cycle; opcodes, operands and a JSR's high byte that the clip saw wrong."""
    assert faults(reread(boot(cycles=3000), line, None, [cycle])) == set()


def test_a_clock_between_two_samples_is_its_nominal_rate():
    """1.789773 MHz at 24 MS/s: the median period is 13 samples, 1.846 MHz."""
    board = replace(tide_gauge(), clock_hz=Fraction(1_789_773))
    reading = boot(board=board, cycles=1500, clock_hz=Fraction(1_789_773))
    assert "clock-nominal" not in rules(find_all(reading))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("planted", "named"),
    [("clip:RW", "clip:RW"), ("clip:D3", "clip:D3"), ("clip:CS_ROM", "clip:CS_U5")],
)
def test_a_slipped_clip_is_named_and_is_no_fault(planted, named):
    diagnosis = diagnose(boot(planted, cycles=2500))
    assert diagnosis.exit_code == 0
    assert named in first_class(diagnosis)


@pytest.mark.slow
@pytest.mark.parametrize("clip", ["clip:D0", "clip:D3", "clip:D6"])
def test_a_slipped_data_clip_is_named_where_the_lowest_address_lines_are_not_clipped(clip):
    """Of the places in the ROM that the rest of the address leaves, one has the other bits."""
    reading = boot(clip, cycles=2500, without=("A0", "A1", "A2"))
    assert reading.program.clips_off == (clip[-2:],)
    diagnosis = diagnose(reading)
    assert diagnosis.verdict != "fault"
    assert clip in first_class(diagnosis)


def test_the_loop_that_clears_ram_is_not_the_main_loop():
    assert observe(boot(cycles=2500)).ladder[-1].status != "ok"


@pytest.mark.parametrize(
    ("lines", "rule", "without"),
    [
        (["D2"], "stray-read", ()),
        (["D2", "D5"], "ram-content", ()),
        (["D2", "D5"], "ram-content", ("A0", "A1", "A2", "SYNC", "IRQ", "NMI", "RDY")),
    ],
)
def test_several_wrong_bits_at_once_are_no_stray_samples(lines, rule, without):
    """Two reads of RAM, at two addresses, that nothing follows from; in reset, where the address
    may not be known, no write is missed.
    """
    reading = boot(cycles=4000, without=without)
    cycles = (569, 2427)
    replay = gather(reading).replay
    assert {replay.chips[int(replay.healthy.drivers[k]).bit_length() - 1] for k in cycles} == {"U4"}
    for line in lines:
        reading = reread(reading, line, None, cycles)
    finding = only((f for f in find_all(reading) if f.rule in ("stray-read", "ram-content")), rule)
    assert (finding.severity == "fault") == (rule == "ram-content")
    assert finding.cycles == cycles


@pytest.mark.parametrize(
    ("off", "rule"), [(0x05, "stray-read"), (0x25, "ram-content"), ("before", "stray-read")]
)
def test_one_read_with_three_wrong_lines_is_no_stray_sample(off, rule):
    """Unless it is the byte of the cycle before, sampled once more."""
    reading, cycle = boot(cycles=4000), 703  # of the stack, by a JSR that makes nothing of it
    data = gather(reading).replay.data
    off = int(data[cycle - 1] ^ data[cycle]) if off == "before" else off
    for bit in range(8):
        if off >> bit & 1:
            reading = reread(reading, f"D{bit}", None, [cycle])
    finding = only((f for f in find_all(reading) if f.rule in ("stray-read", "ram-content")), rule)
    assert finding.cycles == (cycle,)


@pytest.mark.parametrize("cycle", [1066, 3397])
def test_a_disturbed_return_address_makes_no_bytes_wrong(cycle):
    """Two lines hit at once, in the pull of an RTS: the bus shows what the CPU took."""
    reading = boot(cycles=6000)
    for line in ("D2", "D4"):
        reading = reread(reading, line, None, [cycle])
    (fix,) = reading.program.read_corrections
    assert (fix.cycle, (fix.seen ^ fix.believed).bit_count()) == (cycle, 2)
    assert not gather(reading).address_off.any()
    assert faults(reading) == set()


@pytest.mark.parametrize(
    ("first", "then"),
    [
        ((3383, "D3"), (3391, "D3")),
        ((3385, "D3"), (3394, "D5")),
        ((3391, "D3"), (3400, "D3")),
        ((3387, "D5"), (3398, "D5")),
    ],
)
def test_two_stray_samples_one_soon_after_the_other_are_seen_through(first, then):
    """An opcode, an operand or a pulled byte each: without both the CPU seems to go elsewhere."""
    reading = boot(cycles=4000)
    for cycle, line in (first, then):
        reading = reread(reading, line, None, [cycle])
    program = reading.program
    assert [fix.cycle for fix in program.read_corrections] == [first[0], then[0]]
    assert (program.lost_at, program.lines_aside) == (None, ())
    assert not (program.kind == Kind.LOST).any()
    assert faults(reading) == set()


def test_a_stray_sample_in_a_write_hides_no_misread_byte_soon_after():
    """What the CPU did not write is no word of what it read."""
    reading = boot(cycles=2500, seed=9)
    for cycle in (47, 53):  # what is stored, and where a pointer lies
        reading = reread(reading, "D3", None, [cycle])
    assert [fix.cycle for fix in reading.program.read_corrections] == [53]
    assert not (reading.program.kind == Kind.LOST).any()


def never_written(folder, seed, address):
    """A boot of a made-up board, and the cycles in which it reads a byte of RAM that nobody
    writes.
    """
    reading = boot(board=made_up(folder, seed), cycles=3000, seed=seed)
    replay = gather(reading).replay
    uses = np.flatnonzero(replay.address == address)
    assert (replay.read[uses] == 1).all()
    return reading, uses.tolist()


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "address"), [(2, 0x43), (17, 0x43), (25, 0x41)])
@pytest.mark.parametrize("which", [0, 1, -3, -1])
def test_a_stray_sample_of_a_byte_that_nobody_wrote_is_no_fault(tmp_path, seed, address, which):
    """What comes after it is not wrong for it, though the CPU acts on that."""
    reading, uses = never_written(tmp_path, seed, address)
    hit = reread(reading, "D2", None, [uses[which]])
    assert faults(hit) == set()
    strays = [f for f in find_all(hit) if f.rule == "stray-read"]
    assert [f.count for f in strays] == [1]


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "address"), [(2, 0x43), (25, 0x41)])
def test_a_byte_that_nobody_wrote_and_that_changes_for_good_is_no_stray_sample(
    tmp_path, seed, address
):
    reading, uses = never_written(tmp_path, seed, address)
    later = uses[len(uses) // 2 :]
    finding = only(find_all(reread(reading, "D2", None, later)), "ram-content")
    assert (finding.severity, finding.cycles) == ("fault", (later[0],))


def test_what_nobody_drives_is_not_traced_as_a_wrong_byte(tmp_path):
    """A program that sizes its memory reads many such bytes, and acts on them."""
    evidence = gather(boot(board=made_up(tmp_path, 2), cycles=2500, seed=2, undriven="high"))
    replay = evidence.replay
    nobody = (replay.read == 1) & (replay.address >= 0) & (replay.healthy.drivers == 0)
    assert nobody.sum() > 20
    assert not (evidence.acted_on & nobody).any()


def test_where_nothing_disagreed_before_it_stops_there_is_no_stray_sample_to_look_behind():
    """A way that hangs on an unknown flag ends a run before the disagreement shows."""
    thread = Thread(boot(cycles=600).cycles)
    follow(thread, die_of("6502"))
    (row,) = thread.rows.before(300, 1)
    state, every = thread.state_at(row), np.uint32(0x3FFFFFF)
    firsts = [(40, ())]
    assert _misread_then(thread, row, state, firsts, every, strictness(thread), [1000]) is None


@pytest.mark.parametrize("image", [True, False])
@pytest.mark.parametrize("polled", [0, 1, 2])
def test_a_stray_sample_in_a_polled_bit_sends_nobody_astray_where_the_low_address_is_not_seen(
    polled, image
):
    """The branch is followed the other way for some instructions, over bytes of other places."""
    board = load_board(FIXTURES / "kiln_control" / "board.toml")
    high, data = (f"A{bit}" for bit in range(8, 13)), (f"D{bit}" for bit in range(8))
    record = run(board=board, cycles=6000)
    if not image:
        board = replace(board, chips=tuple(replace(chip, images=()) for chip in board.chips))
    reading = read(record, board=board, lines=("PHI2", "RES", "RW", *high, *data))
    intent = reading.program.intent
    polls = np.flatnonzero((intent.address == 0x0405) & (intent.rw == 1))[20::37]
    misread = reread(reading, "D7", None, [int(polls[polled])])
    assert faults(misread) == set()
    assert gather(misread).replay.elsewhere.any()


def test_a_cell_whose_last_write_is_not_known_is_not_filled_with_an_older_one():
    """D4 has no clip: its level in a read of RAM is the one that was written last, or nobody's."""
    reading = boot(cycles=1500)
    cycles, intent, line = reading.cycles, reading.program.intent, 1 << 4
    rw, address = cycles.pin("RW"), cycles.address
    reads = np.flatnonzero((rw == 1) & (address < 0x200))
    uses = (
        (read, np.flatnonzero((rw[:read] == 0) & (address[:read] == address[read])))
        for read in reads
    )
    read, writes = next((read, writes) for read, writes in uses if len(writes) > 1)
    known = intent.data_known.copy()
    filled = without_clips(cycles, reading.board, line, intent.data, known)
    assert filled.data_known[read] == 0xFF
    assert filled.data[read] == cycles.data[read]
    known[writes[-1]] = 0
    filled = without_clips(cycles, reading.board, line, intent.data, known)
    assert filled.data_known[read] == 0xFF & ~line
