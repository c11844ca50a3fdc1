"""A dead board, a torn file, a stranger's names: diagnosis is a value, never an exception."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import BUSES, FIXTURES, TRIAGE, boot, complaints, tide_gauge
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import captures

from bustrace.board import load_board
from bustrace.capture.model import Capture
from bustrace.diagnosis import Diagnosis, diagnose, weigh, weighing
from bustrace.errors import HookupError
from bustrace.findings import gather
from bustrace.reading import read_boot

CODES = {"no fault seen": 0, "healthy up to": 0, "fault": 1, "cannot conclude": 3}
PINS = (*BUSES, "SYNC", "RES", "IRQ", "NMI", "RDY", "CS_RAM", "CS_ROM", "CS_IO")


def is_whole(diagnosis: Diagnosis) -> None:
    assert diagnosis.exit_code == CODES[diagnosis.verdict]
    assert diagnosis.summary.strip()
    assert len(diagnosis.ladder) == 10
    for suspect in diagnosis.suspects:
        assert 0.0 <= suspect.probability <= 1.0
    if diagnosis.verdict != "no fault seen":
        assert diagnosis.next_steps
    if diagnosis.verdict == "fault":
        assert any(f.severity == "fault" for f in diagnosis.findings)
    else:
        assert not any(f.severity == "fault" for f in diagnosis.findings)


@st.composite
def wild_captures(draw: st.DrawFn) -> Capture:
    """A few pins of a CPU with random levels at random times, unknown levels among them."""
    lines = draw(st.lists(st.sampled_from(PINS), min_size=1, max_size=36, unique=True))
    if draw(st.booleans()) and "PHI2" not in lines:
        lines.append("PHI2")
    n = draw(st.integers(0, 300))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    mode = draw(st.sampled_from(["timing", "state"]))
    full = np.uint64((1 << len(lines)) - 1)
    state = rng.integers(0, 2**63, n, dtype=np.uint64) & full
    if "PHI2" in lines and draw(st.booleans()):
        clock = np.uint64(1 << lines.index("PHI2"))
        state = np.where(np.arange(n) % 2 == 0, state & ~clock, state | clock)
    known = None
    if draw(st.booleans()):
        known = rng.integers(0, 2**63, n, dtype=np.uint64) & full
        state &= known
    steps = rng.integers(1, draw(st.sampled_from([2, 10**6, 10**12])), n)
    times = np.cumsum(steps).astype(np.int64) - draw(st.sampled_from([0, 10**9]))
    return Capture(
        mode="timing" if mode == "timing" else "state",
        time_ps=times,
        state=state,
        known=known,
        lines=tuple(lines),
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=int(times[-1]) + 1000 if n else 0,
    )


@pytest.mark.slow
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(wild_captures(), st.booleans())
def test_random_levels_on_a_cpus_pins_are_diagnosed(capture, with_board):
    is_whole(diagnose(read_boot(capture, tide_gauge() if with_board else None)))


@pytest.mark.slow
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(captures(), st.booleans())
def test_any_capture_with_any_names_is_diagnosed_or_its_names_are_refused(capture, with_board):
    """Two lines that can only be the same pin are the one thing that is an error."""
    try:
        reading = read_boot(capture, tide_gauge() if with_board else None)
    except HookupError:
        return
    is_whole(diagnose(reading))


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.sampled_from(PINS), min_size=1, max_size=30, unique=True),
    st.sampled_from(["", "silent:U5", "stuck:A9=1@bus", "reset:held", "clock:stops"]),
)
def test_any_choice_of_clips_is_diagnosed(lines, fault):
    """Partial evidence is normal."""
    faults = [fault] if fault else []
    is_whole(diagnose(boot(*faults, cycles=400, lines=tuple(lines))))


@pytest.mark.parametrize("lines", [(), ("PHI2",), ("D0",), BUSES])
def test_an_empty_recording_cannot_conclude(lines):
    capture = Capture(
        mode="timing",
        time_ps=np.empty(0, np.int64),
        state=np.empty(0, np.uint64),
        known=None,
        lines=lines,
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=0,
    )
    diagnosis = diagnose(read_boot(capture, tide_gauge()))
    is_whole(diagnosis)
    assert (diagnosis.verdict, diagnosis.exit_code) == ("cannot conclude", 3)


def test_without_a_clock_the_next_clip_is_named():
    """Neither it nor a bus by whose moves it could be estimated: what to clip next can be said."""
    diagnosis = diagnose(boot(cycles=600, lines=("RES", "IRQ", "RDY")))
    assert diagnosis.verdict == "cannot conclude"
    assert any("phase 2" in step and "clip it" in step for step in diagnosis.next_steps)


@pytest.mark.slow
def test_eight_lines_of_a_healthy_board_are_never_called_healthy():
    """Not exercised is not good: up to what was seen, and what to clip next."""
    diagnosis = diagnose(boot(lines=TRIAGE, cycles=3000))
    assert complaints(diagnosis) == []
    assert diagnosis.verdict in ("healthy up to", "cannot conclude")
    assert any(step.startswith("Clip ") for step in diagnosis.next_steps)
    assert any("not captured" in line for line in diagnosis.not_exercised)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["clock:stops", "reset:held", "held:RDY=0"])
def test_eight_lines_see_what_is_wrong_with_the_control_lines(fault):
    """Clock, reset and RDY need no buses."""
    diagnosis = diagnose(boot(fault, lines=TRIAGE, cycles=1500))
    assert str(diagnosis.suspects[0].fault) == fault


def test_without_a_board_clock_reset_and_vector_are_still_judged():
    """A CPU in reset for ever is seen without any board file."""
    reading = boot("reset:held", cycles=600)
    diagnosis = diagnose(read_boot(reading.capture))
    assert str(diagnosis.suspects[0].fault) == "reset:held"
    healthy = diagnose(read_boot(boot(cycles=1500).capture))
    assert complaints(healthy) == []
    assert healthy.exit_code == 0


@pytest.mark.slow
def test_one_chip_is_suspected_once_whichever_way_it_was_told():
    """An I/O chip that answers neither its polls nor any other read is one suspect."""
    kiln = load_board(FIXTURES / "kiln_control" / "board.toml")
    diagnosis = diagnose(boot("silent:U3_IO", board=kiln, cycles=5000))
    assert {f.rule for f in diagnosis.findings} >= {"poll-unanswered", "io-unanswered"}
    named = [str(suspect.fault) for suspect in diagnosis.suspects]
    assert named.count("silent:U3_IO") == 1


def test_a_program_that_runs_wild_is_weighed_as_far_as_it_tells(monkeypatch):
    evidence = gather(boot("open:A3@U5", cycles=4000))
    whole = weigh(evidence)
    monkeypatch.setattr(weighing, "ENOUGH", 300.0)
    monkeypatch.setattr(weighing, "FEWEST_WEIGHED", 50)
    assert weighing._as_far_as_it_tells(evidence).n < 500
    told = weigh(evidence)
    assert told[0].fault == whole[0].fault
    assert told[0].gain < whole[0].gain
    # What a sound board's program tells goes on to its end.
    sound = gather(boot(cycles=4000))
    assert weighing._as_far_as_it_tells(sound).n > 0.98 * sound.n


def test_of_a_program_that_goes_round_and_round_the_first_rounds_are_weighed(monkeypatch):
    monkeypatch.setattr(weighing, "FEWEST_WEIGHED", 50)
    kiln = load_board(FIXTURES / "kiln_control" / "board.toml")
    evidence = gather(boot(board=kiln, cycles=14_000))
    rounds = weighing._as_far_as_it_tells(evidence).n
    assert rounds < 10_000
    address = evidence.replay.address
    assert np.isin(address[rounds:], address[:rounds]).mean() > 0.99
