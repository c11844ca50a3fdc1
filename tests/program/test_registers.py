"""Registers of a recording that begins in mid-program: as many as it shows, and none wrong.

External witness: py65, an independent instruction-level simulator, gives the true registers and,
run from other registers, which of them the recording leaves open (`possible_worlds`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from own_programs import QUIET, at_random, hand_written, run
from possible_worlds import Recording

from bustrace.board import Cpu, unknown_board
from bustrace.program import Kind, recover_program

BEHIND = 200
"""Cycles from the start from which registers must be known."""

NAMES = "AXYSP"


def board_with(part):
    return replace(unknown_board(), cpu=Cpu(part=part, variant=part))


class Witnessed:
    """A program, its bus activity, and what py65 says of it."""

    def __init__(self, variant, image, cycles=14_000):
        self.variant = variant
        self.truth = run(variant, image, cycles, 1, QUIET)
        begins = np.flatnonzero(self.truth["sync"])
        begins = begins[begins > 12]
        self.begins = begins[np.flatnonzero(self.truth["addr"][begins] == 0x8000)[0] :]
        pointer = int(self.truth["registers"][self.begins[0], 4])
        self.recording = Recording(image, len(self.begins) - 1, pointer, variant)

    def recovered(self, clip, start, end, **lines):
        part = slice(int(self.begins[start]), int(self.begins[end]))
        columns = {name: column[part] for name, column in self.truth.items()}
        return recover_program(clip(columns, **lines), board_with(self.variant))

    def judged(self, program, start, end, shift=0):
        """Rows behind the first cycles: how many, wrong ones, and ones as good as can be."""
        knowable = self.recording.knowable(start, end)
        rows = dict(zip(program.first_cycle.tolist(), range(len(program)), strict=True))
        count = wrong = best = 0
        for n in range(start, end):
            at = int(self.begins[n] - self.begins[start])
            if at < BEHIND:
                continue
            count += 1
            row = rows.get(at)
            if row is None or program.kind[row] not in (Kind.INSTRUCTION, Kind.BRK):
                continue
            known = program.registers_known[row] & (0xFF, 0xFF, 0xFF, 0xFF, 0xCF)
            true = np.array(self.recording.states[n][1:], np.uint8)
            wrong += bool(((program.registers[row] ^ true) & known).any())
            best += not (knowable[n - start] & ~known)[:4].any()
        return np.array((count, wrong, best))


def starts(witnessed, seed, number, span=500):
    last = len(witnessed.begins) - span - 2
    return np.random.default_rng(seed).integers(800, last, number).tolist()


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
def test_py65_and_the_executor_run_the_same_program(variant):
    """Else neither were a witness: all registers before each of thousands of instructions."""
    for image in (hand_written(variant), at_random(variant, 5, plain=True)):
        witnessed = Witnessed(variant, image)
        ours = witnessed.truth["registers"][witnessed.begins[:-1]]
        theirs = np.array(witnessed.recording.states[:-1])
        off = (ours ^ theirs) & (0xFFFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xCF)
        assert len(off) > 3000
        assert not off.any()


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
def test_of_a_hand_written_program_all_that_can_be_known_is(variant, clip):
    """From 200 cycles after a start anywhere: none wrong, and 99 % of what can be known."""
    witnessed = Witnessed(variant, hand_written(variant))
    total = np.zeros(3, np.int64)
    for start in starts(witnessed, 4, 6):
        program = witnessed.recovered(clip, start, start + 500, pins=("RW",))
        total += witnessed.judged(program, start, start + 500)
    count, wrong, best = total.tolist()
    assert count > 2000
    assert wrong == 0
    assert best >= 0.99 * count


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
def test_of_random_programs_nearly_all_that_can_be_known_is(variant, clip):
    """The same over all documented opcodes that py65 has."""
    total = np.zeros(3, np.int64)
    for seed in (11, 12):
        witnessed = Witnessed(variant, at_random(variant, seed, plain=True))
        for start in starts(witnessed, seed, 3):
            program = witnessed.recovered(clip, start, start + 500, pins=("RW",))
            total += witnessed.judged(program, start, start + 500)
    count, wrong, best = total.tolist()
    assert count > 2000
    assert wrong == 0
    assert best >= 0.99 * count


@pytest.mark.slow
def test_of_eight_address_lines_no_register_is_wrong(clip):
    """The program can only be searched for then; a jump at $xxFB is no reset."""
    for seed in (1, 2):
        witnessed = Witnessed("6502", at_random("6502", seed, plain=True))
        for start in starts(witnessed, 3, 4):
            program = witnessed.recovered(clip, start, start + 500, pins=("RW",), address_mask=0xFF)
            assert not (program.kind == Kind.RESET).any()
            _, wrong, _ = witnessed.judged(program, start, start + 500)
            assert wrong == 0


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
@pytest.mark.parametrize("pins", [("RW",), ()], ids=["D8 and R/W", "D8 alone"])
def test_without_addresses_what_is_doubtful_is_not_known(variant, pins, clip):
    """Two ways to read the cycles may be as good: where they differ nothing is known, or wrong."""
    for seed, window in ((1, 4), (2, 5)):
        witnessed = Witnessed(variant, at_random(variant, seed, plain=True))
        for start in starts(witnessed, window, 6):
            program = witnessed.recovered(clip, start, start + 500, pins=pins, address_mask=0)
            _, wrong, _ = witnessed.judged(program, start, start + 500)
            assert wrong == 0
            known = program.registers_known[len(program) // 3 :, :3] == 0xFF
            assert known.mean() > 0.6


@pytest.mark.slow
def test_behind_an_unlisted_opcode_that_only_data_shows_nothing_is_known(clip):
    """A branch across a page takes four cycles; its bytes are also three instructions and SLO."""
    witnessed = Witnessed("6502", at_random("6502", 20, plain=True))
    start = 1528
    program = witnessed.recovered(clip, start, start + 500, pins=(), address_mask=0)
    assert (program.opcode == 0x03).any()
    _, wrong, _ = witnessed.judged(program, start, start + 500)
    assert wrong == 0


def from_the_midst(execute, clip, code, skipped, n=400):
    """A loop at $F000 seen from an instruction on."""
    truth = execute(bytes.fromhex(code.replace(" ", "")), n)
    begin = int(np.flatnonzero(truth["sync"])[skipped])
    part = {name: column[begin:] for name, column in truth.items()}
    return recover_program(clip(part, pins=("RW",)))


def known_at(program, row):
    """Registers whose every bit is known before a row."""
    return {
        name: int(program.registers[row, place])
        for place, name in enumerate(NAMES[:4])
        if program.registers_known[row, place] == 0xFF
    }


@pytest.mark.parametrize(
    ("what", "code", "expected"),
    [
        ("a store shows it", "a207 MOVE 8610 4c02f0", {"X": 7}),
        ("an index in an address shows it", "a007 MOVE b90002 4c02f0", {"Y": 7}),
        ("what was made of it shows it", "a207 MOVE 8a 18 d8 6903 8510 4c02f0", {"X": 7}),
        ("the end of a count shows it", "a207 MOVE ca d0fd 8510 a207 4c02f0", {"X": 7}),
        ("a push shows the stack's place", "a27f 9a MOVE 48 68 4c03f0", {"S": 0x7F}),
    ],
)
def test_a_register_loaded_before_the_recording_is_known_from_its_start(
    what, code, expected, execute, clip
):
    """The recording begins behind the load, with reads of $00FF and $FF00: all lines move."""
    skipped = 4 if "9a" in code else 3
    program = from_the_midst(execute, clip, code.replace("MOVE", "adff00 ad00ff"), skipped)
    assert program.opcode[0] == 0xAD
    assert expected.items() <= known_at(program, 0).items(), what


def test_lines_that_rest_make_no_register_known(execute, clip):
    """A4 to A7 never move: they may be stuck, and tell nothing of an index."""
    program = from_the_midst(execute, clip, "a007 ea ea b90002 4c02f0", 3)
    place = NAMES.index("Y")
    assert program.registers_known[0, place] == 0x0F
    assert program.registers[0, place] & 0x0F == 7


def test_what_leaves_no_trace_stays_unknown(execute, clip):
    """A and Y are loaded before the recording and never used in it."""
    program = from_the_midst(execute, clip, "a207 a011 a955 ea ea 8610 4c06f0", 5)
    for row in range(len(program)):
        assert set(known_at(program, row)) == {"X"}


def test_a_sum_of_two_unknowns_is_known_and_they_are_not(execute, clip):
    """A + carry + 3 is stored: A is known behind the ADC, where a carry could make up for it."""
    program = from_the_midst(execute, clip, "a955 38 ea ea 6903 8510 a955 4c03f0", 4)
    assert program.opcode[:3].tolist() == [0xEA, 0x69, 0x85]
    assert "A" not in known_at(program, 0)
    assert known_at(program, 2)["A"] == 0x59


def test_a_sum_that_forgets_its_start_is_known_in_the_end(execute, clip):
    """A is halved with each byte added: whatever it was, after a while it is one value."""
    # loop: cld; clc; adc $F000,x; ror; inx; cpx #$16; bne loop; lda #$55; ldx #0; lda $FF00; jmp
    code = "a200 d8 18 7d00f0 6a e8 e016 d0f5 a955 a200 ad00ff 4c02f0"
    program = from_the_midst(execute, clip, code, 3 + 7, n=1500)
    end = int(np.flatnonzero(program.opcode == 0xA9)[0])
    assert "A" not in known_at(program, 0)
    assert all("A" in known_at(program, row) for row in range(end - 30, end))


def test_cycles_that_contradict_each_other_make_nothing_known(execute, clip):
    """X is stored twice, and the clip saw two bytes: it is neither."""
    truth = execute(bytes.fromhex("a207eaea861086114c02f0"), 60)
    begin = int(np.flatnonzero(truth["sync"])[3])
    part = {name: column[begin : begin + 14] for name, column in truth.items()}
    writes = np.flatnonzero(part["rw"] == 0)
    assert len(writes) == 2
    part["data"][writes[1]] ^= 0x10
    program = recover_program(clip(part, pins=("RW",)))
    stores = np.flatnonzero(program.opcode == 0x86)
    assert all("X" not in known_at(program, row) for row in stores)


class TestTheOracle:
    """It must itself leave open what cannot be told, and nothing else."""

    def recorded(self, code, instructions):
        image = bytearray(0x10000)
        image[0x8000 : 0x8000 + len(code)] = code
        image[0xFFFC:0xFFFE] = b"\x00\x80"
        return Recording(bytes(image), instructions, 0xFF, "6502")

    def test_a_store_tells_and_a_register_without_use_does_not(self):
        recording = self.recorded(bytes.fromhex("eaea8610eaea"), 6)
        knowable = recording.knowable(0, 6)
        assert (knowable[:, 1] == 0xFF).all()
        assert (knowable[:, 0] == 0).all()
        assert (knowable[:, 2] == 0).all()

    def test_a_load_makes_known_what_was_not(self):
        knowable = self.recorded(bytes.fromhex("eaa95507ea"), 3).knowable(0, 3)
        assert knowable[0, 0] == 0
        assert knowable[2, 0] == 0xFF

    def test_a_branch_tells_its_flag_alone(self):
        knowable = self.recorded(bytes.fromhex("ea9000eaea"), 4).knowable(0, 4)
        assert (knowable[:, 4] & 0xCF == 0x01).all()
