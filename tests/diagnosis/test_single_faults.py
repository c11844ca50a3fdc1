"""One fault planted, one boot sampled: it stands in the first suspect's class."""

from __future__ import annotations

import re
from functools import cache

import pytest
from drill_readings import boot, complaints, first_class, members, tide_gauge

from bustrace.board import pin_of
from bustrace.diagnosis import Diagnosis, diagnose, weigh
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import gather

PLANTED = (
    "stuck:A9=1@bus", "stuck:A3=0@bus", "stuck:A6=0@behind", "stuck:A14=1@decoder",
    "stuck:A2=1@U5", "open:A1@U4", "stuck:D3=0@read", "stuck:D5=1@write", "stuck:D2=0@bus",
    "stuck:D2=1@behind", "stuck:D3=0@U5", "plane:U4.3", "plane:U5.1", "short:A3+A4@bus",
    "short:D1+D4@bus", "short:A9+D4@bus", "short:A5+IRQ@bus", "short:A0+NMI@bus",
    "short:D3+IRQ@bus", "short:A6+RW@bus", "silent:U4", "silent:U5", "always:U6",
    "doubled:U5+U4", "doubled:U4+U5",
    "content:U5", "cell:U4.0000.0=1", "cell:U4.0400.3=0", "clip:A3", "clip:A12", "clip:RW",
    "clock:stops", "clock:absent", "reset:held", "held:IRQ=0", "held:NMI=0", "held:RDY=0",
    "stuck:RW=1@bus", "stuck:RW=0@behind", "stuck:CS_U5=1@decoder", "stuck:CS_U4=0@decoder",
)  # fmt: skip
"""Faults that show in the first 2,500 cycles of the demo board."""


@cache
def judged(*faults: str, seed: int = 5) -> Diagnosis:
    return diagnose(boot(*faults, cycles=2500, seed=seed))


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANTED)
def test_the_planted_fault_is_in_the_first_class(name):
    """Alone, or with those that this capture cannot tell from it."""
    diagnosis = judged(name)
    assert str(Fault.parse(name)) in first_class(diagnosis), complaints(diagnosis)
    if not name.startswith("clip"):
        assert (diagnosis.verdict, diagnosis.exit_code) == ("fault", 1)


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANTED)
def test_what_is_said_of_a_suspect_is_sound(name):
    """Probabilities are probabilities, no fault is named twice, every suspect has a check."""
    diagnosis = judged(name)
    named = [str(fault) for s in diagnosis.suspects for fault in (s.fault, *s.alike)]
    assert len(named) == len(set(named))
    for suspect in diagnosis.suspects:
        assert 0.0 <= suspect.probability <= 1.0
        assert suspect.explains
        assert suspect.check.strip()
        assert (suspect.tell_apart is None) == (not suspect.alike) or suspect.alike
        assert str(suspect.fault) in members(suspect)
    board = tide_gauge()
    for text in (*(s.check for s in diagnosis.suspects), *diagnosis.next_steps):
        for line, pins in re.findall(r"(\w+) \(((?:\w+ pin \w+(?:, )?)+)\)", text):
            for ref, pin in re.findall(r"(\w+) pin (\w+)", pins):
                assert pin_of(board, ref, line) == pin, (line, ref, pin)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["stuck:A9=1@bus", "silent:U4", "clock:stops", "held:IRQ=0"])
def test_the_first_step_is_the_first_suspects_check(name):
    """The one thing to do now; the rails come with it, since no capture sees them."""
    diagnosis = judged(name)
    assert diagnosis.next_steps[0] == diagnosis.suspects[0].check
    assert any("supply" in step and "meter" in step for step in diagnosis.next_steps)
    assert len(set(diagnosis.next_steps)) == len(diagnosis.next_steps)


@pytest.mark.slow
def test_a_slipped_clip_asks_for_the_clip_and_blames_no_chip():
    """The program ran as though the line moved."""
    diagnosis = judged("clip:A3")
    assert diagnosis.exit_code == 0
    assert first_class(diagnosis) == {"clip:A3"}
    assert diagnosis.next_steps[0].startswith("Seat the clip on A3 ")


@pytest.mark.slow
def test_consequences_are_no_suspects():
    """A clock that stops, a reset that stays: nothing else can be expected of the board then."""
    for name in ("clock:stops", "clock:absent", "reset:held"):
        assert [str(s.fault) for s in judged(name).suspects] == [name]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faults", "seed"),
    [
        (("silent:U4", "held:IRQ=0"), 5),
        (("plane:U4.3", "held:NMI=0"), 6),
        (("content:U5", "held:IRQ=0"), 7),
        (("plane:U5.1", "stuck:A3=1@U4"), 5),
        (("plane:U5.7", "stuck:A0=1@U4"), 7),
        (("clip:A5", "plane:U4.0"), 6),
        (("clip:A5", "silent:U4"), 7),
    ],
)
def test_two_faults_at_once_are_both_named(faults, seed):
    """Several things are often wrong at once: each heads a class or stands in one."""
    diagnosis = judged(*faults, seed=seed)
    classes = [members(suspect) for suspect in diagnosis.suspects[:3]]
    for name in faults:
        assert any(name in group for group in classes), (name, classes)
    assert diagnosis.verdict == "fault"
    assert diagnosis.unexplained == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [5, 6])
def test_a_healthy_board_has_no_suspect(seed):
    diagnosis = judged(seed=seed)
    assert complaints(diagnosis) == []
    assert diagnosis.unexplained == ()
    assert diagnosis.verdict in ("no fault seen", "healthy up to")
    assert diagnosis.exit_code == 0
    assert not any("meter" in step for step in diagnosis.next_steps)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [5, 6])
def test_nothing_weighs_more_than_a_healthy_board_on_a_healthy_boot(seed):
    """Even when asked, no hypothesis has evidence worth naming."""
    assert weigh(gather(boot(cycles=2500, seed=seed))) == ()


@pytest.mark.slow
def test_what_explains_a_suspect_was_found():
    """The rules a suspect is said to explain are rules that spoke, or counted reads."""
    for name in ("stuck:D3=0@read", "plane:U4.3", "doubled:U5+U4"):
        diagnosis = judged(name)
        spoke = {finding.rule for finding in diagnosis.findings}
        for suspect in diagnosis.suspects:
            for reason in suspect.explains:
                assert reason in spoke or reason.startswith("explains ")


WAYS = (
    ("silent:U4", "late", "doubled", 5),
    ("silent:U4", "late", "doubled", 7),
    ("silent:U5", "late", "doubled", 5),
    ("plane:U4.6", "weak", "doubled", 5),
    ("plane:U4.0", "weak", "doubled", 6),
    ("plane:U5.3", "weak", "content", 7),
    ("plane:U5.0", "weak", "content", 5),
    ("always:U6", "high", "doubled", 5),
    ("always:U6", "high", "doubled", 6),
)
"""A fault, the way in which it shows itself, what acts like it at first sight, a seed."""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "way", "lookalike", "seed"), WAYS)
def test_a_late_a_weak_and_a_loud_chip_are_told_from_what_acts_like_them(
    name, way, lookalike, seed
):
    """Levels that come late or not at all, and registers that stay what they are."""
    diagnosis = diagnose(boot(Planting(Fault.parse(name), way), cycles=2500, seed=seed))
    assert name in first_class(diagnosis), complaints(diagnosis)
    assert not any(text.startswith(lookalike) for text in first_class(diagnosis))


@pytest.mark.slow
@pytest.mark.parametrize("undriven", ["keeps", "high", "mixed", "decays", "noisy"])
@pytest.mark.parametrize("name", ["silent:U4", "silent:U5"])
def test_a_late_chip_is_told_whatever_the_bus_does_before_it_comes(name, undriven):
    diagnosis = diagnose(boot(Planting(Fault.parse(name), "late"), undriven=undriven))
    assert name in first_class(diagnosis), complaints(diagnosis)


@pytest.mark.slow
@pytest.mark.parametrize("undriven", ["keeps", "high", "decays"])
def test_another_revision_is_not_taken_for_a_late_rom(undriven):
    diagnosis = diagnose(boot(Planting(Fault.parse("content:U5"), "revision"), undriven=undriven))
    assert first_class(diagnosis) == {"content:U5"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cell:U5.0100.3=0", "cell:U5.0140.3=0"])
def test_cells_that_fail_together_are_one_suspect(name):
    """A row of a ROM at one level: a cell of it is named before other content is."""
    planted = Planting(Fault.parse(name), "row")
    suspect = diagnose(boot(planted, cycles=2500, seed=5)).suspects[0]
    assert suspect.fault.family == "cell"
    assert suspect.fault.level == 0
    assert (suspect.fault.chip or "").startswith("U5.")
    assert (suspect.fault.chip or "").endswith(".3")


@pytest.mark.slow
def test_a_chip_that_takes_writes_for_reads_is_told_from_a_line_that_all_chips_see():
    """It pulls down what the CPU writes; RAM, written all the time, does not."""
    named = first_class(diagnose(boot("open:RW@U6", cycles=7000)))
    assert "open:RW@U6" in named
    assert not {"stuck:RW=1@behind", "stuck:RW=1@bus"} & named


@pytest.mark.slow
def test_whoever_may_pull_irq_is_named_with_the_line():
    """A chip that asks all the time looks as the line that something holds."""
    top = diagnose(boot(Planting(Fault.parse("register:U6"), "asking"))).suspects[0]
    assert str(top.fault) == "held:IRQ=0"
    assert "register:U6" in members(top)


def test_one_more_reset_is_no_fault_and_is_looked_after():
    """A finger on the button does it; what makes the reset does it again."""
    diagnosis = diagnose(boot(cycles=1500, reset_low=((0, 12), (900, 920))))
    assert complaints(diagnosis) == []
    assert diagnosis.next_steps[0].startswith("RES fell again in mid-run.")
    assert not any("RES fell" in step for step in diagnose(boot(cycles=1500)).next_steps)
