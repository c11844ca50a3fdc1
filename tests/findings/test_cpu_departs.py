"""A CPU that breaks its data sheet always in one way, and what is no such thing."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import boot, only, read, reread, rules, tide_gauge
from programmed_boards import programmed

from bustrace.board import Board
from bustrace.diagnosis import diagnose
from bustrace.drill import Planting, simulate
from bustrace.faults import Fault
from bustrace.findings import cpu_rules, find_all, gather
from bustrace.program import Kind
from bustrace.program.departures import (
    _EACH_OFF,
    Left,
    _first_trouble,
    _fought,
    _left,
    _write_line_rests,
)
from bustrace.program.follow import Followed
from bustrace.reading import Reading

CPU = Fault.parse("cpu:U1")


def departing(variant: str, seed: int, board: Board | None = None) -> Reading:
    record = simulate(tide_gauge(), cycles=4000, faults=[Planting(CPU, variant)], seed=seed)
    return read(record, seed=seed, board=board)


@pytest.mark.slow
@pytest.mark.parametrize(("variant", "seed"), [("flag", 1), ("flag", 4), ("opcode", 3)])
def test_a_cpu_that_always_errs_in_one_way_is_followed_and_named(variant, seed):
    reading = departing(variant, seed)
    diagnosis = diagnose(reading)
    finding = only(diagnosis.findings, "cpu-departs")
    assert finding.severity == "fault"
    assert finding.chips == ("U1",)
    assert diagnosis.suspects[0].fault == CPU
    # With the one departure all of the rest follows from what was read.
    assert reading.program.lost_at is None
    assert not reading.program.read_corrections


@pytest.mark.parametrize(
    ("off", "at"),
    [
        ({100: 1 << 20}, 100),
        ({100: 1 << 20, 500: 1 << 16 | 1 << 22}, 500),
        ({100: 1 << 20, 500: 1 << 16, 700: 1 << 16, 900: 1 << 16}, 500),
        ({100: 1 << 20, 500: 1 << 16, 700: 1 << 16}, 100),
        ({}, None),
    ],
)
def test_a_stray_sample_long_before_does_not_hide_where_a_cpu_errs(off, at):
    """Two lines at once, or one again and again, are no stray sample."""
    lines = np.zeros(1000, np.uint32)
    for cycle, mask in off.items():
        lines[cycle] = mask
    assert _first_trouble(lines, Followed((), (), None, (), 0)) == at


@pytest.mark.slow
def test_what_a_cpu_makes_of_bytes_that_two_chips_fought_for_is_no_proof(monkeypatch):
    monkeypatch.setattr(cpu_rules, "_amid_two_selected", lambda _, at: np.ones(len(at), np.bool_))
    diagnosis = diagnose(departing("opcode", 3))
    assert only(diagnosis.findings, "cpu-departs").severity == "oddity"
    assert all(suspect.probability < 0.5 for suspect in diagnosis.suspects)


@pytest.mark.slow
@pytest.mark.parametrize("told_otherwise", [True, False])
def test_one_byte_that_is_not_the_roms_is_no_proof_however_often_it_is_run(told_otherwise):
    """A loop shows it again and again; a byte as the ROM has it is what the CPU did not obey."""
    reading = departing("opcode", 3)
    departure, address = reading.program.departure, reading.program.intent.address
    at = address[departure.cycles[0]]
    here = tuple(cycle for cycle in departure.cycles if address[cycle] == at)
    board, chip = reading.board, reading.board.chip("U5")
    if told_otherwise:
        content = chip.images[0].content.copy()
        content[at & 0x1FFF] ^= 0xFF
        other = replace(chip, images=(replace(chip.images[0], content=content),))
        board = replace(board, chips=tuple(other if c is chip else c for c in board.chips))
    program = replace(reading.program, departure=replace(departure, cycles=here))
    found = find_all(replace(reading, board=board, program=program))
    assert only(found, "cpu-departs").severity == ("oddity" if told_otherwise else "fault")


def test_two_that_are_selected_at_once_are_seen_among_the_reads_of_an_instruction():
    """With the RAM the ROM is selected, too: where an instruction reads RAM, and nowhere else."""
    reading = boot("doubled:U4+U5", cycles=800)
    evidence, program = gather(reading), reading.program
    rows = np.flatnonzero(program.kind == Kind.INSTRUCTION)[:-1]
    begins = program.first_cycle[rows]
    ram = evidence.replay.healthy.drivers == 1 << evidence.replay.chips.index("U4")
    spans = zip(begins, program.length[rows], strict=True)
    reads = [ram[at : at + length].any() for at, length in spans]
    assert 0 < sum(reads) < len(reads)
    assert cpu_rules._amid_two_selected(evidence, begins).tolist() == reads
    assert not cpu_rules._amid_two_selected(gather(boot(cycles=800)), begins[:20]).any()


def pushing_flags(code):
    """Every flag both ways, and seen on the stack alone: no branch looks at any."""
    code.label("again")
    for mnemonic, mode, *operand in (
        ("LDA", "imm", 0x7F), ("ADC", "imm", 0x01), ("PHP", "push"), ("PLA", "pull"),
        ("CLC", "imp"), ("CLV", "imp"), ("LDA", "imm", 0x00), ("PHP", "push"), ("PLA", "pull"),
        ("SEC", "imp"), ("LDA", "imm", 0x80), ("PHP", "push"), ("PLA", "pull"),
        ("STA", "zp", 0x10), ("LDA", "imm", 0xFF), ("STA", "zp", 0x11),
        ("LDA", "imm", 0x00), ("STA", "zp", 0x12),
    ):  # fmt: skip
        code.op(mnemonic, mode, *operand)
    code.op("JMP", "jump", "again")


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_dead_flag_shows_where_the_flags_are_written(tmp_path, seed):
    """All of the program runs on: the bytes of the stack alone tell."""
    board = programmed(tmp_path, pushing_flags)
    faults = [Planting(Fault.parse("cpu:U1"), "flag")]
    reading = read(simulate(board, cycles=1500, faults=faults, seed=seed), seed=seed)
    finding = only(find_all(reading), "cpu-departs")
    assert finding.severity == "fault"
    assert diagnose(reading).suspects[0].fault == CPU


def summing(code):
    """A sum of the ROM's first bytes, written to a cell, over and over: no branch on its carry."""
    code.label("again")
    code.op("LDX", "imm", 0x18)
    code.op("LDA", "imm", 0x00)
    code.op("CLC")
    code.op("CLD")
    code.label("next")
    code.op("ADC", "abs,x", 0xE000)
    code.op("DEX")
    code.op("BNE", "rel", "next")
    code.op("STA", "zp", 0x10)
    code.op("JMP", "jump", "again")


def counting_down(code):
    """Clears cells: only a dead N lets the index run below zero."""
    code.label("again")
    code.op("LDY", "imm", 0x45)
    code.op("LDA", "imm", 0x00)
    code.label("next")
    code.op("STA", "abs,y", 0x0200)
    code.op("DEY")
    code.op("BPL", "rel", "next")
    code.op("JMP", "jump", "again")


def polling(code):
    """Few bytes, and a flag that decides each time."""
    code.label("again")
    code.op("LDA", "abs", 0x0300)
    code.op("BMI", "rel", "again")
    code.op("JMP", "jump", "again")


def with_dead_flag(monkeypatch, folder, program, flag, seed, **sampling):
    """A boot of a program with one flag dead; the seed chooses its level."""
    monkeypatch.setattr("bustrace.drill.cpu_faults.FLAGS", (flag,))
    board = programmed(folder, program)
    record = simulate(board, cycles=3000, faults=[Planting(CPU, "flag")], seed=seed)
    return read(record, seed=seed, **sampling)


@pytest.mark.parametrize(("seed", "level"), [(1, 0), (2, 1)])
def test_a_dead_carry_shows_in_what_a_sum_comes_to(tmp_path, monkeypatch, seed, level):
    """It shows long after the carries that were lost, or were not there."""
    reading = with_dead_flag(monkeypatch, tmp_path, summing, 0x01, seed)
    departure = reading.program.departure
    assert (departure.flag, departure.level) == (0x01, level)
    # A carry lasts until the next one: past DEX and BNE, which leave it alone.
    assert len(departure.cycles) > 100
    assert diagnose(reading).suspects[0].fault == CPU


@pytest.mark.parametrize("seed", [1, 5])
def test_a_dead_flag_contradicts_the_index_that_addresses_show(tmp_path, monkeypatch, seed):
    """Entered in its midst, the loop's index is not known but by the addresses that it makes."""
    reading = with_dead_flag(monkeypatch, tmp_path, counting_down, 0x80, seed, start_cycle=200)
    assert reading.program.departure.flag == 0x80
    assert diagnose(reading).suspects[0].fault == CPU


def storing(code):
    """One byte stored over and over, and nothing in A before it."""
    code.op("CLD")
    code.label("again")
    code.op("LDA", "imm", 0x2E)
    code.op("STA", "zp", 0x10)
    code.op("LDX", "imm", 0x07)
    code.op("STX", "zp", 0x12)
    code.label("wait")
    code.op("DEX")
    code.op("BNE", "rel", "wait")
    code.op("JMP", "jump", "again")


@pytest.mark.parametrize(("seed", "taken_for"), [(7, 0x29), (157, 0xE9)])
def test_what_an_opcode_makes_of_an_unknown_register_shows_what_that_held(
    tmp_path, monkeypatch, seed, taken_for
):
    """LDA taken for AND or SBC, right out of a reset: what it stores tells of A, too."""
    monkeypatch.setattr("bustrace.drill.cpu_faults.COMMON", ("LDA",))
    board = programmed(tmp_path, storing)
    record = simulate(board, cycles=1500, faults=[Planting(CPU, "opcode")], seed=seed)
    reading = read(record, seed=seed)
    departure = reading.program.departure
    assert (departure.opcode, departure.taken_for) == (0xA9, taken_for)
    assert diagnose(reading).suspects[0].fault == CPU


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_bytes_as_the_image_has_them_come_from_no_exchanged_clips(tmp_path, monkeypatch, seed):
    """Of so few opcodes, those with two bits exchanged would run in the same way."""
    sampling = {"start_cycle": 200, "without": ["SYNC"]}
    reading = with_dead_flag(monkeypatch, tmp_path, polling, 0x80, seed, **sampling)
    assert reading.program.clips_off == ()
    assert not any(s.fault.family == "clip" for s in diagnose(reading).suspects)


@pytest.mark.parametrize("line", ["D0", "D1", "D6", "D7"])
def test_a_line_that_rests_in_writes_is_no_dead_flag(tmp_path, line):
    board = programmed(tmp_path, pushing_flags)
    for level in (0, 1):
        record = simulate(board, cycles=1500, faults=[f"stuck:{line}={level}@write"], seed=1)
        assert read(record).program.departure is None


@pytest.mark.slow
def test_a_sound_cpu_departs_from_nothing_not_even_in_noise():
    for noise in (0.0, 2e-5):
        reading = boot(cycles=4000, noise=noise)
        assert reading.program.departure is None
        assert "cpu-departs" not in rules(find_all(reading))


@pytest.mark.slow
@pytest.mark.parametrize(
    "fault",
    ["content:U5", "stuck:D3=0@read", "plane:U4.3", "doubled:U5+U4", "stuck:RW=1@cpu"],
)
def test_a_cpu_fed_wrong_bytes_departs_from_nothing(fault):
    assert boot(fault, cycles=4000).program.departure is None


def wrong_in_one_write(lines):
    """A healthy boot of which one write, that nobody reads back, has these lines the other way."""
    reading = boot(cycles=4000)
    replay = gather(reading).replay
    ram = replay.banks.responds[np.maximum(replay.rows(replay.address), 0), 0] == 1
    writes = np.flatnonzero((replay.read == 0) & ram & (replay.address > 0x40))
    values = np.where(np.isin(replay.data[writes], (0x55, 0xAA)))[0]
    for cycle in writes[values][::-1].tolist():
        later = replay.address[cycle + 1 :] == replay.address[cycle]
        if not later.any():
            break
    for line in lines:
        reading = reread(reading, line, None, [cycle])
    return reading, cycle


def test_a_write_that_its_reads_do_not_make_points_to_the_cpu():
    """Bits both ways, and nothing wrong that it was given."""
    reading, cycle = wrong_in_one_write(["D0", "D1", "D2"])
    finding = only(find_all(reading), "cpu-departs")
    assert (finding.severity, finding.cycles, finding.count) == ("oddity", (cycle,), 1)
    (suspect,) = diagnose(reading).suspects
    assert (str(suspect.fault), suspect.probability < 0.5) == ("cpu:U1", True)


@pytest.mark.parametrize("lines", [["D1"], ["D0", "D1"], ["D0", "D2", "D4"]])
def test_stray_samples_in_a_write_do_not(lines):
    """One line or two, or all of them to one side: a spike, or a line."""
    found = find_all(wrong_in_one_write(lines)[0])
    assert "cpu-departs" not in {finding.rule for finding in found}


@pytest.mark.slow
@pytest.mark.parametrize("seed", [22, 27])
def test_once_is_enough_where_the_clip_saw_what_the_rom_holds(seed):
    """A store done otherwise, or not at all: one instruction tells, and no stray sample does so."""
    reading = departing("opcode", seed)
    diagnosis = diagnose(reading)
    finding = only(diagnosis.findings, "cpu-departs")
    assert (finding.severity, finding.count) == ("fault", 1)
    assert "the clip saw what the ROM holds" in finding.measured
    first = diagnosis.suspects[0]
    assert (first.fault, first.probability < 0.7) == (CPU, True)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "twice"), [(22, True), (27, False)])
def test_once_without_the_rom_asks_that_the_clip_saw_the_byte_twice(seed, twice):
    """Else one byte that it misread explains it as well."""
    board = replace(tide_gauge(), chips=tuple(replace(c, images=()) for c in tide_gauge().chips))
    diagnosis = diagnose(departing("opcode", seed, board=board))
    assert ("cpu-departs" in rules(diagnosis.findings, "fault")) == twice
    assert (CPU in {suspect.fault for suspect in diagnosis.suspects}) == twice


@pytest.mark.slow
def test_a_counter_that_does_not_count_is_found_by_what_comes_much_later():
    """INX as NOP: the loop goes round in the right cycles, and what is stored at its end is off."""
    departure = departing("opcode", 16).program.departure
    assert departure is not None
    assert (departure.opcode, departure.taken_for) == (0xE8, 0xEA)
    assert len(departure.cycles) > 100


def left(weights, misread=0, lost=0):
    return Left(np.array(weights), misread, lost)


@pytest.mark.parametrize(
    ("mine", "sound", "gain"),
    [
        (left([0, 0, 0]), left([16, 0, 16], 2), 32),
        (left([9, 0, 9]), left([25, 0, 25], 2), 32),  # what both leave is no matter
        (left([0, 16, 0]), left([16, 0, 0], 1), 0),  # as much is wrong elsewhere
        (left([0, 0, 16], 1), left([16, 0, 16], 2), 0),  # half of the bytes are still misread
        (left([0, 1, 1], 0, 2), left([33, 1, 1], 0, 3), 0),  # goes on, and is lost in its turn
        (left([0, 0, 1], 0, 1), left([33, 1, 1], 0, 3), 34),
    ],
)
def test_a_departure_gains_what_it_alone_explains(mine, sound, gain):
    assert mine.beside(sound)[0] == gain


@pytest.mark.parametrize(
    ("aside", "off", "rests"),
    [
        ((), [0, 0], False),  # it is lost before anything was written
        ((), [0, 0x040000], True),  # a byte written is not on the bus
        ((), [0x000100, 0x040000], False),  # an address is wrong, too
        (("RW",), [0, 0], True),
    ],
)
def test_a_write_line_that_never_falls_is_at_fault_only_where_it_should_have(aside, off, rests):
    thread = SimpleNamespace(moving=np.uint32(0xFFFFFF))
    followed = Followed(aside, ((41, 999, "lost"),), 0, (), 0)
    assert _write_line_rests(np.array(off, np.uint32), thread, followed) is rests


@pytest.mark.parametrize(
    ("off", "seen", "misread", "fought"),
    [
        ([0x0F0000, 0x060000], 0x000000, (), True),
        ([0x0F0000, 0x060000], 0x000000, (1, 2, 3), False),  # it did what it did not read
        ([0x0F0000, 0x060000], 0x040000, (), False),  # no chip that pulls low makes it higher
        ([0x010000, 0x040000], 0x000000, (), False),  # one line at a time: stray samples
        ([0x0F0001, 0x060000], 0x000000, (), False),
    ],
)
def test_bytes_written_that_are_lower_are_fought_where_all_that_was_read_is_obeyed(
    off, seen, misread, fought
):
    thread = SimpleNamespace(seen=np.array([0, seen], np.uint32))
    followed = SimpleNamespace(misread=misread)
    assert _fought(np.array(off, np.uint32), thread, followed) is fought


@pytest.mark.slow
def test_an_immediate_load_that_masks_is_the_cpus_doing():
    """LDA # obeyed as AND #: what is written is lower each time, as if a chip pulled it down."""
    reading = departing("opcode", 31)
    departure = reading.program.departure
    assert departure is not None
    assert (departure.opcode, departure.taken_for) == (0xA9, 0x29)
    assert diagnose(reading).suspects[0].fault == CPU


@pytest.mark.slow
@pytest.mark.parametrize(("others", "severity"), [(0xEA, "fault"), (None, "oddity")])
def test_a_clip_errs_where_most_of_what_was_done_is_what_the_rom_holds(others, severity):
    """In an image that is another revision, one byte is by chance what the CPU did."""
    program = departing("opcode", 3).program
    places = np.unique(program.intent.address[list(program.departure.cycles)])
    assert len(places) > 2
    (image,) = tide_gauge().chip("U5").images
    held = image.content.copy()
    base = 0x10000 - len(held)
    if others is not None:
        held[places - base] = others
    held[places[0] - base] = program.departure.taken_for
    chips = tuple(
        replace(c, images=(replace(image, content=held),)) if c.ref == "U5" else c
        for c in tide_gauge().chips
    )
    board = replace(tide_gauge(), chips=chips)
    finding = only(find_all(departing("opcode", 3, board=board)), "cpu-departs")
    assert finding.severity == severity


class Cycles(SimpleNamespace):
    """Columns of a thread, and how many cycles it has."""

    def __len__(self) -> int:
        return len(self.done)


@pytest.mark.parametrize("each_vague", [1, _EACH_OFF])
def test_a_line_that_is_left_open_counts_beside_one_that_is_off(each_vague):
    """The third cycle leaves all open, the fourth is not followed, the last is open and off."""
    followed = Followed((), (), None, (), 0)
    every = np.full(5, 0x1FFFFFF, np.uint32)
    thread = Cycles(
        done=np.array([True, True, True, False, True]),
        captured=every,
        certain=np.array([1, 1, 0, 1, 0], np.uint32) * every,
        compared_lines=lambda: every,
        off=lambda: np.array([0, 1, 0, 0, 1], np.uint32),
        meant=np.zeros(5, np.uint32),
        seen=np.zeros(5, np.uint32),
    )
    left = _left(thread, followed, 0, np.zeros(0x10000, np.bool_), 5, each_vague)
    assert left.weight.tolist() == [0, _EACH_OFF, each_vague, 1, _EACH_OFF + each_vague]
