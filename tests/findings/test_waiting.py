"""Programs that wait for ever: for a status bit, for an interrupt; and those that do not."""

from __future__ import annotations

import pytest
from drill_readings import boot, only, rules
from programmed_boards import DECODED, VIA, programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import find_all


def started_timer(code, cycles, control=0x40):
    """Timer 1 set to run free, as the demo firmware does."""
    for register, byte in ((0xB, control), (4, cycles & 0xFF), (5, cycles >> 8)):
        code.op("LDA", "imm", byte)
        code.op("STA", "abs", VIA + register)


def polling(register, test):
    """Wait for a bit of a register, by some way of looking at it."""

    def main(code):
        code.label("again")
        if test == "bit":
            code.op("BIT", "abs", VIA + register)
            code.op("BPL", "rel", "again")
        elif test == "mask":
            code.op("LDA", "abs", VIA + register)
            code.op("AND", "imm", 0x20)
            code.op("BEQ", "rel", "again")
        elif test == "shift":
            code.op("LDA", "abs", VIA + register)
            code.op("LSR", "acc")
            code.op("BCC", "rel", "again")
        elif test == "held mask":
            code.op("LDA", "imm", 0x10)
            code.label("here")
            code.op("BIT", "abs", VIA + register)
            code.op("BEQ", "rel", "here")
        code.label("done")
        code.op("JMP", "jump", "done")

    return main


@pytest.mark.parametrize(
    ("test", "bits"),
    [("bit", "bit 7"), ("mask", "bit 5"), ("shift", "bit 0"), ("held mask", "bit 4")],
)
def test_a_bit_polled_for_ever_is_named_with_its_chip(tmp_path, test, bits):
    """The flag register of an idle 6522 reads 0: nothing was started. An oddity, no fault."""
    board = programmed(tmp_path, polling(0xD, test))
    reading = boot(board=board, cycles=2500)
    finding = only(find_all(reading), "status-never-changes")
    assert (finding.severity, finding.chips) == ("oddity", ("U6",))
    assert f"{bits} of register 13 of U6 ($400D) reads 0" in finding.measured
    assert "outside" in finding.text
    assert 100 < finding.count <= finding.opportunities
    assert diagnose(reading).exit_code == 0


def test_a_poll_that_ends_is_not_told(tmp_path):
    """Port B's inputs change: the loop is left."""
    board = programmed(tmp_path, polling(0, "bit"))
    assert "status-never-changes" not in rules(find_all(boot(board=board, cycles=4000)))


def test_a_delay_loop_is_no_wait(tmp_path):
    """It counts, so it ends."""

    def main(code):
        code.label("outer")
        code.op("LDX", "imm", 0)
        code.label("again")
        code.op("LDA", "abs", VIA + 0xD)
        code.op("DEX")
        code.op("BNE", "rel", "again")
        code.op("JMP", "jump", "outer")

    assert "status-never-changes" not in rules(
        find_all(boot(board=programmed(tmp_path, main), cycles=3000))
    )


@pytest.mark.slow
def test_a_started_timer_that_never_ends_is_a_fault(tmp_path):
    """Bit 6 of the flags stays 0 beyond the 65,538 cycles that a 6522's timer 1 can take."""

    def main(code):
        started_timer(code, 200)
        code.label("again")
        code.op("BIT", "abs", VIA + 0xD)
        code.op("BVC", "rel", "again")
        code.op("JMP", "jump", "again")

    board = programmed(tmp_path, main)
    reading = boot("stuck:D6=0@U6", board=board, cycles=70_000)
    finding = only(find_all(reading), "status-never-changes")
    assert (finding.severity, finding.chips) == ("fault", ("U6",))
    assert str(diagnose(reading).suspects[0].fault) == "register:U6"
    short = only(find_all(boot("stuck:D6=0@U6", board=board, cycles=3000)), "status-never-changes")
    assert short.severity == "oddity"


def waits_for_a_tick(enable):
    def main(code):
        started_timer(code, 600)
        if enable:
            code.op("LDA", "imm", 0xC0)
            code.op("STA", "abs", VIA + 0xE)
        code.op("LDA", "imm", 0)
        code.op("STA", "zp", 0x20)
        code.op("CLI")
        code.label("again")
        code.op("LDA", "zp", 0x20)
        code.op("BEQ", "rel", "again")
        code.label("done")
        code.op("JMP", "jump", "done")

    return main


def ticks(code):
    code.op("INC", "zp", 0x20)
    code.op("BIT", "abs", VIA + 4)


def test_an_interrupt_that_never_comes_names_its_source(tmp_path):
    """The program waits for a byte of RAM that only the handler counts; the source is not on."""
    board = programmed(tmp_path, waits_for_a_tick(enable=False), ticks)
    reading = boot(board=board, cycles=2500)
    finding = only(find_all(reading), "interrupt-never-comes")
    assert (finding.severity, finding.lines, finding.chips) == ("oddity", ("IRQ",), ("U6",))
    assert "U6 (6522)" in finding.text
    assert "$0020" in finding.text
    assert diagnose(reading).exit_code == 0


def test_an_interrupt_that_comes_is_not_missed(tmp_path):
    board = programmed(tmp_path, waits_for_a_tick(enable=True), ticks)
    assert "interrupt-never-comes" not in rules(find_all(boot(board=board, cycles=2500)))


@pytest.mark.parametrize(
    ("register", "asked"), [(4, "register 4 of U6"), (None, "no I/O register")]
)
def test_an_interrupt_that_never_goes_away_says_what_its_handler_reads(tmp_path, register, asked):
    """U6 is mute, so the read that clears its timer's request gives nothing and clears nothing."""

    def handler(code):
        if register is not None:
            code.op("BIT", "abs", VIA + register)

    fault = ("silent:U6",) if register is not None else ()
    board = programmed(tmp_path, waits_for_a_tick(enable=True), handler)
    reading = boot(*fault, board=board, cycles=3000)
    finding = only(find_all(reading), "irq-storm")
    assert finding.chips == ("U6",)
    assert f"reads {asked}" in finding.measured
    assert f"It reads {asked}" in finding.text


@pytest.mark.slow
def test_a_poll_that_only_repeats_the_byte_before_may_be_of_a_chip_that_does_not_answer(tmp_path):
    """Neither a fault nor healthy: a port at rest at that byte looks the same."""
    board = programmed(tmp_path, polling(1, "bit"))
    seen = find_all(boot("silent:U6", board=board, cycles=4000))
    finding = only(seen, "poll-unanswered")
    assert (finding.severity, finding.chips) == ("oddity", ("U6",))
    diagnosis = diagnose(boot("silent:U6", board=board, cycles=4000))
    assert (diagnosis.verdict, diagnosis.exit_code) == ("healthy up to", 0)
    assert str(diagnosis.suspects[0].fault) == "silent:U6"
    assert diagnosis.suspects[0].probability == 0.5
    assert diagnosis.ladder[-1].status == "not seen"


def test_of_a_chip_that_does_not_answer_a_short_wait_is_told(tmp_path):
    """A sound one may be waited for so long."""
    board = programmed(tmp_path, polling(1, "bit"))
    assert not rules(find_all(boot(board=board, cycles=400)), "oddity")
    finding = only(find_all(boot("silent:U6", board=board, cycles=400)), "poll-unanswered")
    assert "waits to the end at" in finding.text


@pytest.mark.slow
def test_a_poll_of_what_this_bus_drifts_to_may_be_of_a_chip_that_does_not_answer(tmp_path):
    """Where nobody drives, lines of this bus go high in their own time, as at empty places."""

    def main(code):
        for page in range(0x61, 0x80):  # nothing answers here
            code.op("LDA", "abs", page << 8)
        polling(1, "bit")(code)

    board = programmed(tmp_path, main, board=DECODED)
    poll = boot("silent:U6", board=board, cycles=4000, undriven="decays")
    assert only(find_all(poll), "poll-unanswered").chips == ("U6",)
    answers = boot(board=board, cycles=4000, undriven="decays")
    assert "poll-unanswered" not in rules(find_all(answers))
