"""What is in a capture file, before anything is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bustrace import findings
from bustrace.board import Board
from bustrace.capture import Capture
from bustrace.cycles import Cycles
from bustrace.hookup import Hookup, Tap
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.report.phrases import say_note, sentence
from bustrace.report.timings import timings_of
from bustrace.units import PS_PER_SECOND, count_words, format_rate, format_time

_BLOCK = 1 << 18
"""Rows looked at together, to bound memory."""

_WHY = {
    "name": "by its name",
    "board": "by the board file",
    "given": "as you said",
    "behaviour": "by what it does",
}


@dataclass(frozen=True, slots=True)
class Activity:
    """What one line did.

    Attributes
    ----------
    line : str
    changes : int
        From 0 to 1 or back, unknown stretches left out.
    rises : int
        Of these, from 0 to 1.
    first_rise_ps, first_fall_ps : int or None
    high, low, unknown : float
        Share of the time (state mode: of the rows) at each level; 0, 0, 0 for an empty capture.
    """

    line: str
    changes: int
    rises: int
    first_rise_ps: int | None
    first_fall_ps: int | None
    high: float
    low: float
    unknown: float


def line_activity(capture: Capture) -> tuple[Activity, ...]:
    """Changes and levels of every line, in the capture's order. Cost: one pass a line."""
    n, count = len(capture), len(capture.lines)
    changes, rises = [0] * count, [0] * count
    first_rise: list[int | None] = [None] * count
    first_fall: list[int | None] = [None] * count
    weight = np.zeros((count, 3), dtype=np.float64)
    last = [2] * count
    for start in range(0, n, _BLOCK):
        stop = min(start + _BLOCK, n)
        state = capture.state[start:stop]
        known = None if capture.known is None else capture.known[start:stop]
        if capture.mode == "state":
            held = np.ones(stop - start)
        else:
            ends = capture.time_ps[start + 1 : stop + 1]
            if stop == n:
                ends = np.append(ends, capture.end_ps)
            held = (ends - capture.time_ps[start:stop]).astype(np.float64)
        for index in range(count):
            level = ((state >> np.uint64(index)) & np.uint64(1)).astype(np.int8)
            sure = np.ones(stop - start, dtype=np.bool_)
            if known is not None:
                sure = ((known >> np.uint64(index)) & np.uint64(1)).astype(np.bool_)
            weight[index, 2] += held[~sure].sum()
            weight[index, 1] += held[sure & (level == 1)].sum()
            weight[index, 0] += held[sure & (level == 0)].sum()
            levels = level[sure]
            if not len(levels):
                continue
            before = np.empty_like(levels)
            before[0] = levels[0] if last[index] == 2 else last[index]
            before[1:] = levels[:-1]
            where = np.flatnonzero(sure)
            for first, turn in ((first_rise, levels > before), (first_fall, levels < before)):
                if first[index] is None and turn.any():
                    first[index] = int(capture.time_ps[start + where[int(turn.argmax())]])
            changes[index] += int((levels != before).sum())
            rises[index] += int((levels > before).sum())
            last[index] = int(levels[-1])
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1)
    share = weight / total
    return tuple(
        Activity(
            line,
            changes[i],
            rises[i],
            first_rise[i],
            first_fall[i],
            high=float(share[i, 1]),
            low=float(share[i, 0]),
            unknown=float(share[i, 2]),
        )
        for i, line in enumerate(capture.lines)
    )


def look_text(
    capture: Capture,
    hookup: Hookup,
    cycles: Cycles,
    *,
    timed_for: Board | None = None,
    everything: bool = False,
) -> Paper:
    """The file, its lines and what they were taken for, the clock, reset, doubts, questions.

    Parameters
    ----------
    capture : Capture
    hookup : Hookup
    cycles : Cycles
        Found with this hookup.
    timed_for : Board or None
        Show the times within the cycle, too, beside the limits of this board's CPU.
    everything : bool
        Show facts that were read in the file, too, and the distributions of the times.
    """
    paper = Paper()
    activity = {act.line: act for act in line_activity(capture)}
    paper.say(capture.source or "capture", indent=0, mark="strong")
    paper.say(capture_size(capture), indent=0)
    if hookup.questions:
        paper.heading("First, a question")
        for question in hookup.questions:
            paper.say(question, mark="doubt")
    paper.heading("Lines")
    width = min(max([len(line) for line in capture.lines] + [4]), 24) + 2
    taps = {tap.line: tap for tap in hookup.taps}
    head = [("line", width), ("pin", 13), ("taken", 18)]
    paper.say("changes, share of time high", cells=[Cell(t, w, "quiet") for t, w in head],
              mark="quiet")  # fmt: skip
    for line in capture.lines:
        tap, act = taps.get(line), activity[line]
        cells = [
            Cell(line, width, "strong"),
            Cell(_pin(tap), 13),
            Cell(_WHY[tap.why] if tap else "-", 18, "quiet"),
        ]
        text, mark = movement(act)
        paper.say(text, cells=cells, mark=mark)
    paper.heading("Clock")
    paper.say(_clock(capture, cycles))
    paper.heading("Reset")
    paper.say(_reset(capture, hookup, cycles, activity))
    if timed_for is not None:
        timings_of(paper, capture, hookup, cycles, timed_for, everything=everything)
    notes = (*capture.notes, *hookup.notes, *cycles.notes)
    shown = [note for note in notes if everything or note.kind != "fact"]
    shown.sort(key=lambda note: ("doubt", "guess", "fact").index(note.kind))
    paper.heading("Doubts and guesses")
    if not shown:
        paper.say("None.")
    for note in shown:
        say_note(paper, note)
    if len(shown) < len(notes):
        folded = count_words(len(notes) - len(shown), "fact")
        paper.say(f"Folded: {folded} read in the file or its names (--all shows them).",
                  mark="quiet")  # fmt: skip
    return paper


def capture_size(capture: Capture) -> str:
    """Mode, lines, rate and length of a capture, in one sentence."""
    lines = count_words(len(capture.lines), "line")
    if capture.mode == "state":
        return f"State mode: {len(capture):,} rows of {lines}, one a bus cycle."
    rate = "sample rate not known"
    depth = ""
    if capture.rate is not None:
        rate = format_rate(capture.rate, "S/s")
        samples = int(capture.duration_ps * capture.rate / PS_PER_SECOND) + 1
        depth = f" ({samples:,} samples deep)"
    gaps = f", {count_words(len(capture.gaps), 'gap')}" if len(capture.gaps) else ""
    return (
        f"Timing mode: {lines}, {rate}, {format_time(capture.duration_ps)}{depth}, "
        f"{len(capture):,} transitions{gaps}."
    )


def _pin(tap: Tap | None) -> str:
    if tap is None:
        return "not used"
    sign = "!" if tap.inverted and not tap.pin.startswith("select:") else ""
    return sign + tap.pin


def movement(act: Activity) -> tuple[str, Mark]:
    """What a line did, in a few words, and how they are marked."""
    unknown = f", unknown {_percent(act.unknown)}" if act.unknown else ""
    if not act.high and not act.low:
        return "never known", "doubt"
    if not act.changes:
        return f"never moves: {'high' if act.high else 'low'}{unknown}", "doubt"
    return f"{act.changes:,}, {_percent(act.high)}{unknown}", ""


def _percent(share: float) -> str:
    percent = 100 * share
    if 0 < percent < 1:
        return "under 1 %"
    if 99 < percent < 100:
        return "over 99 %"
    return f"{percent:.0f} %"


def _clock(capture: Capture, cycles: Cycles) -> str:
    clock, period = cycles.clock, cycles.mean_period_ps
    if clock.role == "state rows":
        return f"Each row is a bus cycle: {len(cycles):,}."
    if clock.role == "estimated" and period is not None:
        return (
            f"Not captured. Estimated from the moves of the bus: {1e6 / period:.4g} MHz, "
            f"{len(cycles):,} bus cycles; how far to trust them stands below."
        )
    if clock.line is None:
        return sentence(f"None: {cycles.reason or 'no clock line'}")
    if period is None or not len(cycles):
        return sentence(f"{clock.line}: {cycles.reason or 'no whole cycle'}")
    text = f"{clock.line} as {clock.role}: {1e6 / period:.4g} MHz, {len(cycles):,} bus cycles"
    if clock.divided_by > 1:
        text += f", {clock.divided_by} of its periods to one"
    spread = [clock.min_period_ps, clock.max_period_ps]
    shown = [format_time(width) for width in spread if width is not None]
    if len(set(shown)) == 2:
        text += f", {shown[0]} to {shown[1]} each"
    if clock.stops_ps is not None:
        at = format_time(clock.stops_ps - capture.start_ps)
        level = "" if clock.rests_at is None else f" and rests {('low', 'high')[clock.rests_at]}"
        text += f". IT STOPS {at} into the capture{level}"
    return text + "."


def _reset(capture: Capture, hookup: Hookup, cycles: Cycles, activity: dict[str, Activity]) -> str:
    tap = hookup.tap("RES")
    if tap is None:
        return "RES is not among the clips."
    act = activity[tap.line]
    resting, held = (act.low, act.high) if tap.inverted else (act.high, act.low)
    releases = act.changes - act.rises if tap.inverted else act.rises
    release_ps = act.first_fall_ps if tap.inverted else act.first_rise_ps
    if not resting and not held:
        return f"{tap.line} is never known."
    if not act.changes:
        where = "released from start to end" if resting else "HELD from start to end"
        return f"Not in view: {tap.line} is {where}."
    if release_ps is None:
        return f"{tap.line} begins reset and stays there: the release is not in view."
    # The verdict speaks of the release that lasts; without cycles there is only the first one.
    lasting_ps = findings.release_ps(capture, hookup, cycles)
    at = format_time((release_ps if lasting_ps is None else lasting_ps) - capture.start_ps)
    again = f"; {releases} releases in all" if releases > 1 else ""
    return f"In view: {tap.line} releases the CPU {at} into the capture{again}."
