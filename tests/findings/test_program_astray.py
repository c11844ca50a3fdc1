"""Programs that nobody writes: round and round for nothing, calls without end; and some that are
written, and look alike.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import members, only, read, rules, run, undumped
from programmed_boards import VIA, programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import find_all
from bustrace.findings.program_rules import FEWEST_CALLS, FEWEST_TURNS

pytestmark = pytest.mark.slow


def going_round(code, *, writes=0x40, before=(), within=()):
    """A loop that stores a constant; `before` it and `within` it other instructions."""
    for register in "AXY":
        code.op(f"LD{register}", "imm", 0x3A)
    for instruction in before:
        code.op(*instruction)
    code.label("again")
    code.op("LDA", "imm", 0x3A)
    code.op("STA", "abs", writes)
    for instruction in within:
        code.op(*instruction)
    code.op("JMP", "jump", "again")


def found(folder, main, *, image=False, **options):
    """What is found on a board that runs a program, told its `image` or not."""
    board = programmed(folder, main, **options)
    chips = tuple(replace(chip, images=()) for chip in board.chips)
    told = board if image else replace(board, chips=chips)
    return find_all(read(run(board=board, cycles=1500), board=told))


def test_a_loop_that_the_image_has_may_be_meant_so(tmp_path):
    assert "endless-loop" not in rules(found(tmp_path, going_round, image=True))


@pytest.mark.parametrize(
    "within", [(), [("STA", "zp,x", 0x20)], [("STA", "abs,x", 0x2F0)], [("JSR", "call", "there")]]
)
def test_a_loop_that_does_the_same_each_time_is_never_left(tmp_path, within):
    """Whatever is read on the way, and not used."""

    def main(code):
        going_round(code, within=within)
        code.label("there")
        code.op("RTS", "rts")

    finding = only(found(tmp_path, main), "endless-loop")
    assert finding.severity == "fault"
    assert finding.count >= FEWEST_TURNS
    assert f"{3 + len(within)} instructions" in finding.text or within[0][0] == "JSR"


@pytest.mark.parametrize(
    ("what", "options"),
    [
        ("counts", {"within": [("INX", "imp")]}),
        ("counts in memory", {"within": [("INC", "abs", 0x41)]}),
        ("asks for what others write", {"within": [("LDY", "zp,x", 0x42)]}),
        ("asks within a page", {"within": [("LDA", "abs,x", 0x200)]}),
        ("asks a chip", {"within": [("LDY", "abs", VIA)]}),
        ("tells a chip", {"writes": VIA}),
        ("lets interrupts in", {"before": [("CLI", "imp")]}),
        ("waits for a byte of RAM", {"within": [("LDY", "abs", 0x42)]}),
    ],
)
def test_a_loop_that_works_or_waits_is_none(tmp_path, what, options):
    """What something else may change, or sees, is waited for, or is work."""
    loop = found(tmp_path, lambda code: going_round(code, **options))
    assert "endless-loop" not in rules(loop), what


def test_a_register_that_the_loop_does_not_use_may_hold_anything(tmp_path):
    """Nobody loaded Y; with INY in the loop it may count."""

    def main(code, *more):
        code.label("again")
        code.op("LDA", "imm", 0x3A)
        code.op("STA", "zp", 0x40)
        for instruction in more:
            code.op(*instruction)
        code.op("JMP", "jump", "again")

    assert "endless-loop" in rules(found(tmp_path / "1", main))
    counting = found(tmp_path / "2", lambda code: main(code, ("INY", "imp")))
    assert "endless-loop" not in rules(counting)


def test_a_stop_that_does_nothing_is_none(tmp_path):
    """Where a self-test ends."""

    def stops(code):
        code.op("LDX", "imm", 0)
        code.op("LDY", "imm", 0)
        code.label("here")
        code.op("JMP", "jump", "here")

    assert "endless-loop" not in rules(found(tmp_path, stops))


def calling(code, comes_back):
    code.label("again")
    code.op("JSR", "call", "again" if not comes_back else "there")
    code.op("JMP", "jump", "again")
    code.label("there")
    code.op("RTS", "rts")


def test_calls_that_never_come_back_overrun_the_stack(tmp_path):
    finding = only(found(tmp_path / "1", lambda code: calling(code, False)), "stack-overrun")
    assert finding.severity == "fault"
    assert FEWEST_CALLS < finding.count <= 129
    assert "stack-overrun" not in rules(found(tmp_path / "2", lambda code: calling(code, True)))


def test_a_stack_that_is_filled_on_purpose_is_not_overrun(tmp_path):
    """To clear it, or to test it: no calls are lost."""

    def fills(code):
        code.label("again")
        code.op("PHA", "push")
        code.op("JMP", "jump", "again")

    assert "stack-overrun" not in rules(found(tmp_path, fills))


@pytest.mark.parametrize("fault", ["open:A1@U5", "open:A3@U5", "stuck:A4=1@U5"])
def test_a_rom_that_takes_no_notice_of_a_line_needs_no_image(fault):
    """The same bytes come twice: a master sees it in the listing."""
    reading = undumped(fault, cycles=2500)
    finding = only(find_all(reading), "line-ignored")
    assert (finding.severity, finding.lines, finding.chips) == (
        "fault",
        (fault.partition(":")[2][:2],),
        ("U5",),
    )
    assert finding.count == finding.opportunities
    assert fault in members(diagnose(reading).suspects[0])


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_no_line_is_ignored_on_a_healthy_board(seed):
    assert not {"line-ignored", "endless-loop", "stack-overrun"} & rules(
        find_all(undumped(seed=seed, cycles=6000))
    )
