"""Setup and hold against the clock's edges, beside the makers' limits, as text."""

from __future__ import annotations

from fractions import Fraction

from bustrace.board import Board
from bustrace.capture import Capture
from bustrace.cpu.makers_limits import AT_MOST, MakersLimits, makers_limits
from bustrace.cycles import (
    Cycles,
    Ruling,
    Spread,
    clock_to_trust,
    measure_select,
    measure_timings,
    rule_on,
    sample_ps,
    slack_ps,
    slow_lines,
)
from bustrace.hookup import ADDRESS_PINS, DATA_PINS, Hookup, Tap
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.units import PS_PER_SECOND, count_words, format_time

_MEANINGS = {
    "tADS": "fall to address valid",
    "tRWS": "fall to R/W valid",
    "tAH": "address after fall",
    "tACC": "address to read data",
    "tDSU": "read data before fall",
    "tDHR": "read data after fall",
    "tMDS": "rise to write data",
    "tDHW": "write data after fall",
}
_MARKS: dict[Ruling, Mark] = {"kept": "good", "outside": "bad", "past this sheet": "doubt"}
_SIGN = {True: "<=", False: ">="}
_COLUMNS = (("", 6), ("", 22), ("sheet", 8), ("99 %", 8), ("usual", 6), ("cycles", 8))


def timings_of(paper: Paper, capture: Capture, hookup: Hookup, cycles: Cycles, board: Board,
               *, everything: bool) -> None:  # fmt: skip
    """Write the part about times within the cycle.

    Parameters
    ----------
    paper : Paper
    capture, hookup, cycles, board
        Its CPU and the clock choose the sheet.
    everything : bool
        Show the distributions too.
    """
    paper.heading("Times in the cycle")
    why = clock_to_trust(capture, hookup, cycles)
    if capture.mode == "state" or not len(cycles) or cycles.clock.line is None:
        paper.say(f"Not measured: {why or cycles.reason or 'there is no whole cycle'}.")
        return
    sample, period = sample_ps(capture), cycles.clock.period_ps
    limits = None
    if why is None and period:
        limits = makers_limits(board.cpu.variant, Fraction(PS_PER_SECOND, period))
    _introduction(paper, board, limits, why, sample)
    timings = measure_timings(capture, hookup, cycles)
    spreads = {name: timings[name].spread(sample) for name in _MEANINGS}
    if cycles.pin("RW").min(initial=2) == 2:
        paper.say("R/W was not captured: reads and writes cannot be told apart.")
    paper.say("", cells=[Cell(text, width, "quiet") for text, width in _COLUMNS])
    said = set()
    for name, spread in spreads.items():
        said.add(_row(paper, name, spread, limits, sample))
        if everything and spread is not None:
            _distribution(paper, spread)
    for tap in hookup.selects:
        _select(paper, capture, tap, cycles, sample, everything)
    _slow(paper, capture, hookup, cycles)
    if "cannot be resolved" in said:
        paper.say(
            "Cannot be resolved: the limit is shorter than what samples at this rate can tell; "
            "capture faster for it."
        )


def _introduction(
    paper: Paper, board: Board, limits: MakersLimits | None, why: str | None, sample: int
) -> None:
    paper.say(
        f"Against phase 2, right to one sample of {format_time(sample)}. 99 % is what 99 of 100 "
        "cycles keep."
    )
    if why is not None:
        paper.say(f"Not held against a maker's sheet: {why}.", mark="doubt")
    elif limits is None:
        paper.say("No sheet at hand covers this clock.")
    else:
        assumed = "" if board.source else " No board file names the CPU: an NMOS 6502 is assumed."
        paper.say(
            f"Limits: {limits.grade}, from {limits.source}.{assumed} Kept or outside is said only "
            f"with {format_time(slack_ps(sample))} to spare: a sample, the clips' skew and their "
            "thresholds."
        )


def _row(
    paper: Paper, name: str, spread: Spread | None, limits: MakersLimits | None, sample: int
) -> Ruling | None:
    most = name in AT_MOST
    limit = limits[name] if limits is not None else None
    worst = None if spread is None else spread.high if most else spread.low
    ruling = rule_on(name, worst, limits, sample) if worst is not None and limits else None
    asked = "-" if limit is None else f"{_SIGN[most]} {limit}"
    cells = _cells(name, _MEANINGS[name], asked, spread, most)
    said = "not seen" if spread is None else ruling or ""
    paper.say(said, cells=cells, mark=_MARKS.get(ruling, "quiet") if ruling else "quiet")
    return ruling


def _cells(name: str, meaning: str, asked: str, spread: Spread | None, at_most: bool) -> list[Cell]:
    texts = [name, meaning, asked, "-", "-", "-"]
    if spread is not None:
        worst = spread.high if at_most else spread.low
        texts[3:] = [f"{_SIGN[at_most]} {_ns(worst)}", _ns(spread.usual), f"{spread.count:,}"]
    return [Cell(text, width) for text, (_, width) in zip(texts, _COLUMNS, strict=True)]


def _distribution(paper: Paper, spread: Spread) -> None:
    """Cycles by length in samples, and the extremes."""
    told = [f"{at}: {count:,}" for at, count in enumerate(spread.counts.tolist()) if count]
    paper.say(
        f"of {count_words(spread.opportunities, 'cycle')}; shortest {_ns(spread.least)}, longest "
        f"{_ns(spread.most)} ns; by length in samples: {', '.join(told)}",
        indent=8,
        mark="quiet",
    )


def _select(
    paper: Paper, capture: Capture, tap: Tap, cycles: Cycles, sample: int, everything: bool
) -> None:
    times = measure_select(capture, tap, cycles)
    kinds = (
        ("fall to selected", times.delay, True),
        ("selected before fall", times.setup, False),
        ("selected after fall", times.hold, False),
    )
    for meaning, timing, at_most in kinds:
        spread = timing.spread(sample)
        if spread is None:
            continue
        paper.say("", cells=_cells(tap.name, meaning, "-", spread, at_most))
        if everything:
            _distribution(paper, spread)


def _slow(paper: Paper, capture: Capture, hookup: Hookup, cycles: Cycles) -> None:
    slow = [
        f"{pin} by {format_time(by)}"
        for pins in (ADDRESS_PINS, DATA_PINS)
        for pin, by in slow_lines(capture, hookup, cycles, pins)
    ]
    if slow:
        paper.say(
            f"Slower than the other lines of their bus: {', '.join(slow)}. A loaded or weak "
            "driver, a joint, or the clip.",
            mark="doubt",
        )
    else:
        paper.say("No line of a bus is slower than the others, as far as samples tell.")


def _ns(time_ps: int) -> str:
    return f"{time_ps / 1000:.0f}"
