"""What is in a capture: activity against a plain walk, and the text."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bustrace import diagnose, read_boot
from bustrace.board import unknown_board
from bustrace.capture import Capture, Note
from bustrace.cycles import find_cycles
from bustrace.hookup import identify_hookup
from bustrace.report import line_activity, look, look_text


def capture_of(rows, lines, *, mode="timing", step=1000, known=None, end=None, **more):
    """Capture with the given states at even steps."""
    n = len(rows)
    times = np.arange(n, dtype=np.int64) * step
    return Capture(
        mode=mode,
        time_ps=times,
        state=np.array(rows, dtype=np.uint64),
        known=None if known is None else np.array(known, dtype=np.uint64),
        lines=lines,
        rate=more.pop("rate", Fraction(10**9)),
        gaps=np.zeros((0, 2), dtype=np.int64),
        end_ps=n * step if end is None else end,
        source="boot.csv",
        **more,
    )


def _plain(capture, line):
    """Changes, rises, first rise, first fall and shares of the time, one row after another."""
    levels = capture.levels(line).tolist()
    times = [*capture.time_ps.tolist(), capture.end_ps]
    changes = rises = 0
    first_rise = first_fall = None
    weight = {0: 0, 1: 0, 2: 0}
    last = None
    for row, level in enumerate(levels):
        weight[level] += 1 if capture.mode == "state" else times[row + 1] - times[row]
        if level == 2:
            continue
        if last is not None and level != last:
            changes += 1
            if level:
                rises += 1
                first_rise = times[row] if first_rise is None else first_rise
            elif first_fall is None:
                first_fall = times[row]
        last = level
    total = max(sum(weight.values()), 1)
    shares = [weight[level] / total for level in (1, 0, 2)]
    return changes, rises, first_rise, first_fall, shares


@given(
    st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7)), max_size=40),
    st.sampled_from(["timing", "state"]),
    st.booleans(),
    st.integers(1, 50),
)
@example(rows=[(0, 7), (7, 7), (0, 7)], mode="timing", some_unknown=False, block=1)
def test_activity_equals_a_plain_walk(rows, mode, some_unknown, block):
    """Whatever the blocks, counts and shares are those of a walk row by row."""
    states = [state & known if some_unknown else state for state, known in rows]
    capture = capture_of(
        states, ("X", "Y", "Z"), mode=mode, known=[k for _, k in rows] if some_unknown else None
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(look, "_BLOCK", block)
        activity = line_activity(capture)
    for act in activity:
        changes, rises, first_rise, first_fall, shares = _plain(capture, act.line)
        assert (act.changes, act.rises) == (changes, rises)
        assert (act.first_rise_ps, act.first_fall_ps) == (first_rise, first_fall)
        assert [act.high, act.low, act.unknown] == pytest.approx(shares)


def _look(capture, given=None, everything=False):
    board = unknown_board()
    hookup = identify_hookup(capture, board, given)
    cycles = find_cycles(capture, hookup, board)
    return look_text(capture, hookup, cycles, everything=everything).plain()


# PHI2 (bit 0) at 1 MHz, RES (bit 1) low for 20 cycles, RDY (bit 2) always high.
ROWS = [(n & 1) | (2 if n >= 40 else 0) | 4 for n in range(200)]


@pytest.fixture
def small():
    """Two hundred half-cycles of three lines."""
    return capture_of(ROWS, ("PHI2", "/RES", "RDY"), step=500_000, rate=Fraction(16 * 10**6))


def test_look_tells_lines_clock_and_reset(small):
    """Rate, depth, what each line does and was taken for, the clock, reset in view."""
    text = _look(small)
    assert max(map(len, text.splitlines())) <= 80
    assert "3 lines, 16 MS/s, 100 us (1,601 samples deep), 200 transitions." in text
    part = text[text.index("Lines\n") : text.index("Clock\n")]
    lines = {line.split()[0]: line.split()[1:] for line in part.splitlines() if line.strip()}
    assert lines["PHI2"][0] == "PHI2"
    assert " ".join(lines["/RES"]) == "RES by its name 1, 80 %"
    assert " ".join(lines["RDY"]) == "RDY by its name never moves: high"
    assert "PHI2 as phase 2: 1 MHz" in text
    assert "In view: /RES releases the CPU 20 us into the capture." in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda n: 0, "Not in view: /RES is HELD from start to end."),
        (lambda n: 2, "Not in view: /RES is released from start to end."),
        (lambda n: 0 if n > 90 else 2, "begins reset and stays there"),
        (lambda n: 2 if n // 20 % 2 else 0, "90 us into the capture; 5 releases in all."),
    ],
)
def test_reset_as_it_was_captured(small, change, words):
    """Never released, never held, not released again, released several times."""
    rows = [state & ~2 | change(n) for n, state in enumerate(ROWS)]
    text = _look(capture_of(rows, small.lines, step=500_000))
    assert words in " ".join(text.split())


def test_an_inverted_reset_is_read_as_the_pin_is(small):
    """Given as !RES, a fall of the line is the release."""
    rows = [state ^ 2 for state in ROWS]
    text = _look(capture_of(rows, ("PHI2", "R", "RDY"), step=500_000), {"R": "!RES"})
    assert "In view: R releases the CPU 20 us into the capture." in text
    assert "!RES         as you said" in text


def test_unnamed_lines_lead_to_a_question():
    """The file's names tell nothing: the question stands before the lines."""
    text = _look(capture_of(ROWS, ("CH0", "CH1", "CH2"), step=500_000))
    assert text.index("First, a question") < text.index("Lines\n")
    assert "--line CH0=PHI2" in " ".join(text.split())
    assert text.count("not used") == 3
    assert "RES is not among the clips." in text


def test_doubts_come_before_guesses_and_facts_on_demand(small):
    """Every guess shows the option that changes it, quoted where a shell needs that."""
    notes = (
        Note("fact", "it is so"),
        Note("guess", "taken for ns", "--time-unit ns"),
        Note("guess", "an odd name", "--line My clock=PHI2"),
        Note("guess", "a rate", "--rate"),
        Note("doubt", "cut off"),
    )
    text = _look(replace(small, notes=notes))
    part = text[text.index("Doubts and guesses") :]
    assert part.index("Cut off.") < part.index("Taken for ns. To change it: --time-unit ns")
    assert "--line 'My clock=PHI2'" in part
    assert "--rate ..." in part
    assert "It is so" not in part
    assert "Folded: 2 facts read in the file or its names (--all shows them)." in part
    assert "It is so." in _look(replace(small, notes=notes), everything=True)


def test_a_stopped_clock_is_said_to_stop():
    """It does not hide in the average."""
    rows = [n & 1 for n in range(100)] + [1]
    text = _look(capture_of(rows, ("PHI2",), step=500_000, end=10**9))
    assert "IT STOPS 49.5 us into the capture and rests high." in " ".join(text.split())


def test_state_mode_and_an_empty_capture():
    """Rows are counted as cycles; nothing is divided by nothing."""
    text = _look(capture_of([1, 0, 1], ("RW",), mode="state", rate=None))
    assert "State mode: 3 rows of 1 line, one a bus cycle." in text
    assert "Each row is a bus cycle: 3." in text
    empty = _look(capture_of([], ("PHI2", "RES"), rate=None))
    assert "sample rate not known" in empty
    assert empty.count("never known") >= 2


def test_the_clip_that_is_never_known_is_no_level():
    """A line of x only is neither high nor low."""
    capture = capture_of([0, 0], ("A0",), known=[0, 0])
    assert line_activity(capture)[0].unknown == 1.0
    assert "never known" in _look(capture)


@pytest.mark.slow
@pytest.mark.parametrize("chatter", [False, True])
def test_reset_time_is_the_verdicts(small, chatter):
    """`look` and `diagnose` name the same moment: the edge of the release that lasts."""
    rows = [state | (2 if chatter and n in (10, 11) else 0) for n, state in enumerate(ROWS)]
    capture = capture_of(rows, small.lines, step=500_000)
    verdict = diagnose(read_boot(capture))
    rung = next(rung for rung in verdict.ladder if rung.name == "reset released")
    assert rung.text.endswith("20 us into the capture")
    assert "releases the CPU 20 us into the capture" in " ".join(_look(capture).split())
