"""A net clipped at two places: what the two clips say of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot, only

from bustrace.board import ClipPlace
from bustrace.capture.model import Capture
from bustrace.findings import find_all
from bustrace.reading import Reading, read_boot


def with_second_clip(pin: str, level, *, by_name: bool = False) -> Reading:
    """A healthy boot with one more line: ``level(levels of the pin, rows)`` at U4."""
    reading = boot(cycles=1500)
    capture, tap = reading.capture, reading.hookup.tap(pin)
    one = (capture.state >> np.uint64(tap.index)) & np.uint64(1)
    rows = np.arange(len(capture), dtype=np.uint64)
    state = capture.state | level(one, rows).astype(np.uint64) << np.uint64(len(capture.lines))
    wider = Capture(
        mode=capture.mode,
        time_ps=capture.time_ps.copy(),
        state=state,
        known=None,
        lines=(*capture.lines, pin.lower() if by_name else "CH9"),
        rate=capture.rate,
        gaps=capture.gaps.copy(),
        end_ps=capture.end_ps,
    )
    board = reading.board
    if by_name:
        clip = replace(board.clip, second={pin: ClipPlace("U4", "8")})
        return read_boot(wider, replace(board, clip=clip))
    return read_boot(wider, board, {"CH9": f"{pin}@U4.8"})


@pytest.mark.parametrize("by_name", [False, True])
def test_a_whole_net_is_told_as_a_note(by_name):
    found = find_all(with_second_clip("A0", lambda one, rows: one, by_name=by_name))
    note = only(found, "clips-agree")
    assert (note.severity, note.lines) == ("note", ("A0",))
    assert note.count == note.opportunities > 1000
    assert "U4.8" in note.text
    assert "clips-disagree" not in {f.rule for f in found}
    assert "fault" not in {f.severity for f in found}


@pytest.mark.parametrize("resting", [0, 1])
def test_a_clip_that_rests_is_off_or_behind_a_break_and_no_fault(resting):
    """A clip may slip: one capture cannot tell a loose clip from an open net."""
    found = find_all(with_second_clip("A0", lambda one, rows: one * 0 + np.uint64(resting)))
    finding = only(found, "clips-disagree")
    assert (finding.severity, finding.lines) == ("oddity", ("A0",))
    assert "never moves at U4.8" in finding.text
    assert "measure from pin to pin" in finding.text
    assert "fault" not in {f.severity for f in found}


def test_two_clips_that_both_move_and_differ_are_on_two_nets_or_at_a_break():
    reading = with_second_clip("A0", lambda one, rows: one ^ np.uint64(1))
    finding = only(find_all(reading), "clips-disagree")
    assert finding.count == finding.opportunities > 1000
    assert "or one clip is on another net" in finding.text
    # The cycles are made of the CPU's clip alone.
    plain = boot(cycles=1500)
    assert np.array_equal(reading.cycles.address, plain.cycles.address)


def test_stray_samples_do_not_break_a_net():
    """One sample in 5,000 the wrong way, as an analyser's noise."""
    stray = with_second_clip("A0", lambda one, rows: one ^ (rows % np.uint64(5000) == 0))
    assert "clips-disagree" not in {f.rule for f in find_all(stray)}


def test_a_net_that_never_moved_says_nothing():
    still = with_second_clip("NMI", lambda one, rows: one)
    assert not {"clips-agree", "clips-disagree"} & {f.rule for f in find_all(still)}
