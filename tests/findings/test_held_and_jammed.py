"""Where the blame goes when a clip rests low, a line is held, or the CPU jams."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import TRIAGE, boot, first_class, members, only, reread, rules

from bustrace.board import unknown_board
from bustrace.diagnosis import diagnose
from bustrace.findings import HELD_RULES, find_all, observe
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.program import Kind
from bustrace.reading import read_boot
from bustrace.report import diagnosis_text


def rung(reading, name):
    return next(r for r in observe(reading).ladder if r.name == name)


@pytest.mark.slow
def test_an_irq_clip_that_rests_low_is_not_a_held_line():
    """The program lets interrupts in and runs on: the CPU does not see that level."""
    found = find_all(reread(boot(cycles=7000), "IRQ", 0))
    assert only(found, "clip-off").lines == ("IRQ",)
    assert rules(found, "fault") == set()


@pytest.mark.slow
def test_an_irq_that_is_low_for_all_stays_a_fault():
    """The CPU takes it as soon as it may, so no instruction runs against it."""
    found = find_all(boot("held:IRQ=0", cycles=7000))
    assert only(found, "irq-held").severity == "fault"
    assert "clip-off" not in rules(found)


@pytest.mark.slow
def test_a_jam_in_ram_is_not_the_roms():
    """A1 of the RAM open: a return address comes back wrong, and the CPU runs into RAM."""
    reading = boot("open:A1@U4", cycles=3000)
    assert only(find_all(reading), "cpu-jam").cycles
    found = rung(reading, "ROM runs")
    assert found.status == "ok"
    assert "in U4: no ROM gave that byte" in found.text


@pytest.mark.slow
def test_a_jam_on_a_rotten_byte_is_the_roms():
    reading = boot("content:U5", cycles=3000)
    assert only(find_all(reading), "cpu-jam").cycles
    assert rung(reading, "ROM runs").status == "bad"


def test_without_a_board_file_none_is_spoken_of():
    reading = read_boot(boot(cycles=900).capture, unknown_board())
    assert rung(reading, "RAM").text == "without a board file nobody knows where RAM is"


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["reset:held", "held:IRQ=0", "clock:absent"])
def test_a_held_line_is_said_twice_at_most(fault):
    """In the first sentence and among the findings; the path is not said to be left."""
    reading = boot(fault, cycles=1500)
    diagnosis = diagnose(reading)
    text = " ".join(diagnosis_text(diagnosis, reading).plain().split())
    held = next(f for f in diagnosis.findings if f.rule in HELD_RULES)
    assert text.count(held.text.split(".")[0]) <= 2
    assert "No single cycle stands out" not in text
    assert ".." not in text


@pytest.mark.slow
def test_what_speaks_for_a_suspect_is_said_without_ids():
    """Reads are counted; rules stand as words, not by their ids."""
    reading = boot("plane:U4.3", cycles=1500)
    diagnosis = diagnose(reading)
    text = " ".join(diagnosis_text(diagnosis, reading).plain().split())
    wrong = only(diagnosis.findings, "ram-content").count
    assert f"explains {wrong} of {wrong} wrong reads" in text
    assert "bits of evidence" not in text
    for rule in {f.rule for f in diagnosis.findings}:
        assert f" {rule} " not in text
    assert text.index("before all else: measure the supply") < text.index("Power off")


@pytest.mark.slow
def test_a_cpu_that_stands_in_a_read_without_rdy_in_view_is_held():
    reading = boot("held:RDY=0", cycles=2500, without=("RDY",))
    finding = only(find_all(reading), "cpu-stands")
    assert finding.severity == "fault"
    assert str(diagnose(reading).suspects[0].fault) == "held:RDY=0"
    assert "cpu-stands" not in rules(find_all(boot(cycles=2500, without=("RDY",))))


def jammed(cycles: int = 2000, **options):
    """A CPU that jams soon after reset; a recording may begin after that."""
    return boot("content:U5", cycles=cycles, **options)


@pytest.mark.slow
def test_no_clip_is_off_where_the_cpu_stands_before_it_ran_a_program():
    """After a reset of 40 cycles, which any clips let one follow. Five data lines rest."""
    lines = ("PHI2", "RES", "RW", *DATA_PINS, *ADDRESS_PINS[3:])
    stands = boot(
        "short:D4+RDY@bus", lines=lines, cycles=9000, seed=1, rate=50_000_000, reset_low=((0, 40),)
    )
    assert stands.program.clips_off == ()
    assert "clip-off" not in rules(find_all(stands))


def test_a_jam_before_the_recording_is_seen_as_one():
    """All that is in view is a CPU with its address lines high."""
    at = jammed().program.jam_at
    assert at is not None
    reading = jammed(start_cycle=at + 100)
    assert reading.program.jam_at is None
    finding = only(find_all(reading), "jam-out-of-view")
    assert (finding.severity, finding.count) == ("fault", len(reading.cycles))
    assert rung(reading, "main loop").status == "bad"
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "fault"
    assert any("Record again from before RES rises" in step for step in diagnosis.next_steps)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "level", "without"), [("RDY", 0, ()), ("SYNC", 1, ()), ("A5", 0, ("SYNC",))]
)
def test_what_stands_for_another_reason_is_no_jam(line, level, without):
    """RDY low holds it, SYNC high is a fetch that is held, and a jam leaves no address line low."""
    at = jammed().program.jam_at
    assert at is not None
    reading = reread(jammed(start_cycle=at + 100, without=without), line, level)
    assert "jam-out-of-view" not in rules(find_all(reading))


@pytest.mark.parametrize(("apart", "storm"), [(4, True), (30, False)])
def test_nmis_that_are_far_apart_are_no_storm(apart, storm):
    """As those of a display, with the program going on in between."""
    reading = boot(cycles=1500)
    kinds = reading.program.kind.copy()
    kinds[50 : 50 + 8 * apart : apart] = Kind.NMI
    again = replace(reading, program=replace(reading.program, kind=kinds))
    assert ("nmi-storm" in rules(find_all(again))) == storm


@pytest.mark.slow
def test_a_jam_is_seen_by_sync_alone():
    """Eight lines for a first look: no fetch, and nothing holds the CPU."""
    reading = boot("stuck:D4=0@bus", lines=TRIAGE)
    finding = only(find_all(reading), "jam-out-of-view")
    assert (finding.severity, "no fetch" in finding.measured) == ("fault", True)
    assert "jam-out-of-view" not in rules(find_all(reread(reading, "RDY", 0)))
    assert "jam-out-of-view" not in rules(find_all(boot(lines=TRIAGE)))


@pytest.mark.slow
def test_brks_without_end_are_told_from_interrupts_by_irq_alone():
    """With eight lines the two look alike, but IRQ stays high: neither a clip nor a request."""
    found = find_all(boot("always:U4", lines=TRIAGE))
    finding = only(found, "brk-storm")
    assert (finding.severity, finding.count > 50) == ("fault", True)
    assert not {"clip-off", "irq-storm"} & rules(found)


@pytest.mark.slow
@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("line", ["PHI2", "SYNC"])
def test_a_clip_that_rests_among_eight_is_told_by_what_the_cpu_puts_out(line, level):
    found = find_all(reread(boot(lines=TRIAGE, noise=2e-5), line, level))
    assert only(found, "clip-off").lines == (line,)
    assert rules(found, "fault") == set()


@pytest.mark.slow
def test_sync_of_a_cpu_that_is_held_in_a_fetch_is_no_clip():
    """High for good, as RDY is low; or with RDY not clipped and nothing written."""
    reading = boot(lines=TRIAGE)
    held = reread(reread(reread(reading, "SYNC", 1), "RW", 1), "RDY", 0)
    assert "clip-off" not in rules(find_all(held))
    lines = [line for line in TRIAGE if line != "RDY"]
    unseen = reread(reread(boot(lines=lines), "SYNC", 1), "RW", 1)
    assert "clip-off" not in rules(find_all(unseen))


@pytest.mark.slow
@pytest.mark.parametrize("line", ["A2", "A5"])
def test_an_address_line_that_is_low_in_a_jam_is_stuck(line):
    """A CPU that fetches nothing and is not held leaves all of them high; a clip that is off would
    show it low as well, but is no reason to jam.
    """
    reading = boot(f"stuck:{line}=0@bus", cycles=2500, start_cycle=1800)
    finding = only(find_all(reading), "line-stuck")
    assert (finding.lines, finding.count) == ((line,), len(reading.cycles))
    diagnosis = diagnose(reading)
    assert first_class(diagnosis) == {f"stuck:{line}=0@bus", f"stuck:{line}=0@cpu"}
    assert members(diagnosis.suspects[1]) == {f"clip:{line}"}


@pytest.mark.parametrize("held", ["reset:held", "held:RDY=0"])
@pytest.mark.parametrize("others", [(), tuple(f"A{bit}" for bit in range(16))])
def test_a_cpu_that_never_does_anything_may_be_held_where_res_is_not_clipped(held, others):
    """The capture may as well end before RES rises, so nothing is concluded."""
    reading = boot(held, cycles=900, without=("RES", "RDY", "SYNC", *others))
    assert only(find_all(reading), "cpu-rests").lines == ("RES",)
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "cannot conclude"
    assert [str(s.fault) for s in diagnosis.suspects] == ["reset:held", "held:RDY=0"]


def test_a_cpu_that_runs_or_whose_reset_is_seen_is_not_told_to_rest():
    assert "cpu-rests" not in rules(find_all(boot(cycles=900, without=("RES", "RDY"))))
    assert "cpu-rests" not in rules(find_all(boot("reset:held", cycles=900)))
    assert "cpu-rests" not in rules(find_all(boot("reset:held", cycles=300, without=("RES",))))
