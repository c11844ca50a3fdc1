"""What a boot shows of a ROM that nobody dumped: each bit of a program is now 0 and now 1."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot, first_class, members, only, read, rules, run, undumped
from programmed_boards import VIA, programmed

from bustrace.diagnosis import diagnose
from bustrace.drill import Planting
from bustrace.drill.firmware import Code
from bustrace.faults import Fault
from bustrace.findings import find_all
from bustrace.findings.answers import BoardReplay

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("fault", "line"), [("stuck:D7=1@read", "D7"), ("plane:U5.1", "D1"), ("plane:U5.4", "D4")]
)
def test_a_line_at_one_level_in_all_of_a_rom_is_stuck(fault, line):
    reading = undumped(fault, seed=6)
    finding = only(find_all(reading), "line-stuck")
    assert (finding.severity, finding.lines) == ("fault", (line,))
    assert finding.count == finding.opportunities >= 48
    assert fault in first_class(diagnose(reading))


def test_a_clip_that_is_off_is_not_taken_for_a_line():
    """It never moves, and the program cannot be followed."""
    found = find_all(undumped("clip:D3"))
    assert "line-stuck" not in {finding.rule for finding in found}


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_healthy_program_moves_every_line(seed):
    found = find_all(undumped(seed=seed, cycles=6000))
    assert [finding for finding in found if finding.severity == "fault"] == []


def test_memory_that_holds_one_byte_is_hardly_news():
    """The CPU runs through unprogrammed ROM; bytes of a program cost eight bits each."""
    replay = BoardReplay(undumped("open:D4@read"))
    rom = (replay.healthy.drivers == 1 << replay.chips.index("U5")) & (replay.read == 1)
    cells, first = np.unique(replay.address[rom], return_index=True)
    cost = replay.healthy.cost[np.flatnonzero(rom)[first]]
    assert len(cells) > 200
    assert (cost > 7).sum() > 10
    assert np.median(cost) < 0.5


def test_an_empty_rom_needs_no_image_to_be_named():
    diagnosis = diagnose(undumped(Planting(Fault.parse("content:U5"), "blank")))
    assert any("content:U5" in members(suspect) for suspect in diagnosis.suspects)
    assert boot().board.chip("U5").images


@pytest.mark.parametrize(
    ("seed", "others"), [(1, {"content:U5", "silent:U5"}), (3, {"content:U5"}), (5, set())]
)
def test_a_vector_that_leads_nowhere_points_to_its_rom(seed, others):
    """RAM in the ROM's socket: no image tells, but no program begins where no ROM is. What else it
    may be hangs on what else is read: one steady byte after the other is no mute chip, and a place
    of the RAM that keeps its bytes against all writes has the ROM in it.
    """
    diagnosis = diagnose(undumped("swapped:U4+U5", seed=seed, cycles=2500))
    finding = only(diagnosis.findings, "vector-nowhere")
    assert (finding.severity, finding.chips) == ("fault", ("U5",))
    assert first_class(diagnosis) == {"swapped:U4+U5", *others}
    if not others:
        return
    assert diagnosis.suspects[0].probability == 0.5
    assert "U4 and U5" in diagnosis.suspects[0].tell_apart
    for other in diagnosis.suspects[1:]:
        assert any("was wrong before" in against for against in other.against)


def test_opcodes_that_no_sheet_lists_are_no_program():
    finding = only(find_all(undumped("stuck:D0=1@read", cycles=2500)), "program-nonsense")
    assert finding.severity == "fault"
    assert 4 <= finding.count >= 0.2 * finding.opportunities


@pytest.mark.parametrize("fault", [None, "silent:U6", "register:U6"])
def test_a_program_that_keeps_its_way_makes_sense(fault):
    found = find_all(undumped(*([fault] if fault else []), cycles=5000))
    assert "program-nonsense" not in rules(found)


def without_its_image(tmp_path, main, faults=()):
    """A boot of a board with a program of one's own, read as where nobody has a dump."""
    board = programmed(tmp_path, main)
    undumped_board = replace(board, chips=tuple(replace(c, images=()) for c in board.chips))
    return read(run(*faults, board=board, cycles=800), board=undumped_board)


def obeys(*opcodes: int):
    """A program that does one thing after the other, and for once what no sheet lists."""

    def main(code: Code) -> None:
        code.label("again")
        for opcode in opcodes:
            code.bytes += bytes((opcode, 0x10))
        for _ in range(24):
            code.op("INX")
        code.op("JMP", "jump", "again")

    return main


def test_one_opcode_that_no_sheet_lists_leaves_a_rom_in_doubt(tmp_path):
    """$A7 loads A and X on an NMOS CPU: rather a wrong byte for LDA or LDX, but nobody knows."""
    diagnosis = diagnose(without_its_image(tmp_path, obeys(0xA7)))
    finding = only(diagnosis.findings, "opcode-unlisted")
    assert (finding.severity, finding.chips, finding.count) == ("oddity", ("U5",), 1)
    assert "$A7 at $E003" in finding.text
    assert diagnosis.verdict == "cannot conclude"
    assert first_class(diagnosis) == {"content:U5"}
    assert diagnosis.suspects[0].probability < 0.5


def test_an_opcode_that_the_image_holds_is_meant_so(tmp_path):
    """And listed ones are none of it."""
    board = programmed(tmp_path / "dumped", obeys(0xA7))
    assert "opcode-unlisted" not in rules(find_all(boot(board=board, cycles=800)))
    listed = without_its_image(tmp_path / "listed", obeys(0xA5))
    assert "opcode-unlisted" not in rules(find_all(listed))


def once(byte: int):
    """A program that writes a byte to a direction register of the 6522, once."""

    def main(code: Code) -> None:
        code.op("LDA", "imm", byte)
        code.op("STA", "abs", VIA + 3)
        code.label("again")
        code.op("JMP", "jump", "again")

    return main


@pytest.mark.parametrize(("byte", "told"), [(0x0F, True), (0x03, False)])
def test_one_write_tells_of_a_chip_that_drives_where_it_pulls_down_many_lines(byte, told, tmp_path):
    """A stray sample is of one line."""
    diagnosis = diagnose(without_its_image(tmp_path, once(byte), faults=["open:RW@U6"]))
    assert ("write-fought" in rules(diagnosis.findings, "fault")) == told
    assert any("open:RW@U6" in members(s) for s in diagnosis.suspects) == told


@pytest.mark.parametrize("fault", ["short:D1+D2@cpu", "short:D5+D6@read"])
def test_two_data_lines_that_are_alike_in_all_of_a_rom_touch(fault):
    """No image wants them different, but a program does."""
    reading = undumped(fault, cycles=2500)
    finding = only(find_all(reading), "lines-together")
    assert (finding.severity, finding.lines) == ("fault", (fault[6:8], fault[9:11]))
    assert fault in first_class(diagnose(reading))


def test_a_clip_on_its_neighbours_pin_is_not_two_lines_that_touch():
    found = find_all(undumped(Planting(Fault.parse("clip:D3"), "copies"), cycles=2500))
    assert "lines-together" not in rules(found)


@pytest.mark.parametrize("fault", ["short:D0+D7@bus", "stuck:D3=0@read"])
def test_few_bytes_tell_of_a_line_where_they_are_much_likelier_with_it_at_fault(fault):
    """The program is short, and lost its way: not half as much as else is asked for."""
    reading = undumped(fault, seed=7, cycles=600)
    rule = "lines-together" if fault.startswith("short") else "line-stuck"
    finding = only(find_all(reading), rule)
    assert 16 <= int(re.search(r"(\d+) addresses", finding.measured).group(1)) < 48
    assert fault in first_class(diagnose(reading))


def test_a_few_bytes_that_are_alike_by_chance_tell_nothing(tmp_path):
    """A small loop: no byte of it has D3 high."""
    reading = without_its_image(tmp_path, once(0x01))
    assert not {"line-stuck", "lines-together"} & rules(find_all(reading))
