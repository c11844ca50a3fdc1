"""Findings and the derail, marked where they were seen and told below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bustrace.draw.lanes import Lane, View
from bustrace.draw.look import Look
from bustrace.draw.plate import time_text
from bustrace.draw.sheet import PS_PER_US, serif_width, wrap
from bustrace.hookup.model import ADDRESS_PINS, DATA_PINS, SELECT

if TYPE_CHECKING:
    from bustrace.diagnosis.model import Diagnosis
    from bustrace.findings.model import Derail, Finding

MOST_TOLD = 9
"""Findings told below the picture."""
FLAG_HEIGHT = 14.0
"""Points above the cycle numbers for the derail's flag."""
HEADROOM = 10.0
"""Points above a lane that carries badges."""
RULER = "ruler"
"""Key of the lane for findings that belong to no line in the picture."""
_BADGE_WIDTH = 10.0
_LINE = 10.0
_TEXT = 7.5


@dataclass(frozen=True, slots=True)
class Callout:
    """A finding with its number.

    Attributes
    ----------
    number : int
    finding : Finding
    lane : str
        Key of the lane that carries its badges.
    cycles : tuple of int
        Those in view.
    """

    number: int
    finding: Finding
    lane: str
    cycles: tuple[int, ...]

    @property
    def told(self) -> str:
        """The finding as a sentence, with its place when that is out of view."""
        text = self.finding.text
        if self.finding.cycles and not self.cycles:
            text += f" (from cycle {self.finding.cycles[0]:,}, not in view)"
        return text


def callouts(view: View, diagnosis: Diagnosis | None, lanes: Sequence[Lane]) -> tuple[Callout, ...]:
    """Number the findings to tell, faults first, then oddities, then notes.

    Consequences of the derail come last of their severity, and at most `MOST_TOLD` are taken.
    """
    if diagnosis is None:
        return ()
    weight = {"fault": 0, "oddity": 1, "note": 2}

    def urgency(finding: Finding) -> tuple[int, bool, bool]:
        shown = any(view.shows(cycle) for cycle in finding.cycles)
        return weight[finding.severity], finding.after_derail, bool(finding.cycles) and not shown

    taken = sorted(diagnosis.findings, key=urgency)[:MOST_TOLD]
    return tuple(
        Callout(
            number,
            finding,
            _lane_of(finding, lanes),
            tuple(c for c in finding.cycles if view.shows(c)),
        )
        for number, finding in enumerate(taken, 1)
    )


def _lane_of(finding: Finding, lanes: Sequence[Lane]) -> str:
    """The lane a finding is about, by its lines and then its chips."""
    keys = [lane.key for lane in lanes]
    wanted = []
    for line in finding.lines:
        wanted.append(line)
        if line in ADDRESS_PINS:
            wanted.append("address")
        if line in DATA_PINS:
            wanted.append("data")
        wanted.append(SELECT + line)
    wanted += [SELECT + chip for chip in finding.chips]
    if finding.chips:
        wanted.append("data")
    return next((key for key in wanted if key in keys), RULER)


def draw_callouts(view: View, called: Sequence[Callout], tops: Mapping[str, float]) -> None:
    """Draw a badge at the first cycle of each finding in view, and ticks at its others.

    Parameters
    ----------
    tops : mapping of str to float
        Upper edge of each lane, in points.
    """
    sheet, look = view.sheet, view.sheet.look
    point = sheet.us_per_point
    taken: dict[str, list[float]] = {}
    ticks: dict[str, list[list[tuple[float, float]]]] = {}

    def free(lane: str, x: float) -> bool:
        return all(abs(x - other) >= _BADGE_WIDTH * point for other in taken.get(lane, []))

    for callout in called:
        if callout.finding.cycles and not callout.cycles:
            continue
        lane = callout.lane if callout.lane in tops else RULER
        x = (
            _middle(view, callout.cycles[0])
            if callout.cycles
            else sheet.left_us + 0.5 * _BADGE_WIDTH * point
        )
        at = x
        while not free(lane, at):
            at += _BADGE_WIDTH * point
        taken.setdefault(lane, []).append(at)
        _badge(view, at, tops[lane] - HEADROOM / 2, str(callout.number), callout.finding.severity)
    for callout in called:
        lane = callout.lane if callout.lane in tops else RULER
        for number, cycle in enumerate(callout.cycles):
            x = _middle(view, cycle)
            y = tops[lane]
            if number and free(lane, x):
                taken.setdefault(lane, []).append(x)
                _badge(view, x, y - HEADROOM / 2, str(callout.number), callout.finding.severity)
            ticks.setdefault(callout.finding.severity, []).append([(x, y - 2.2), (x, y + 1.8)])
    for severity, segments in ticks.items():
        sheet.lines(segments, color=_color(look, severity), width=1.2, z=5.5)


def _middle(view: View, cycle: int) -> float:
    begin = int(view.all_starts_ps[cycle])
    return (begin + int(view.reading.cycles.time_ps[cycle])) / 2 / PS_PER_US


def _color(look: Look, severity: str) -> str:
    return {"fault": look.fault, "oddity": look.oddity}.get(severity, look.quiet)


def _badge(view: View, x: float, y: float, text: str, severity: str) -> None:
    """Square and filled for a fault, round and filled for an oddity, round and open for a note."""
    sheet, look = view.sheet, view.sheet.look
    style = "square,pad=0.16" if severity == "fault" else "circle,pad=0.14"
    sheet.ax.text(
        x,
        y,
        text,
        fontsize=sheet.size(6.2),
        weight="bold",
        color=look.card if severity == "fault" else look.ink,
        ha="center",
        va="center",
        bbox={
            "boxstyle": style,
            "facecolor": {"fault": look.fault, "oddity": look.oddity}.get(severity, look.card),
            "edgecolor": look.ink,
            "linewidth": 0.7,
        },
        parse_math=False,
        zorder=8,
    )


def draw_derail(view: View, derail: Derail, top: float, bottom: float, ruler: float) -> None:
    """Draw the derail's line through all lanes and its flag above the ruler, if it is in view."""
    if not view.shows(derail.cycle):
        return
    sheet, look = view.sheet, view.sheet.look
    point = sheet.us_per_point
    begin = int(view.all_starts_ps[derail.cycle]) / PS_PER_US
    end = int(view.reading.cycles.time_ps[derail.cycle]) / PS_PER_US
    # The line passes behind the value boxes: it must not strike out what it points at.
    sheet.lines([[(begin, top), (begin, bottom)]], color=look.fault, width=1.6, z=3.5)
    if (end - begin) / point > 6:
        sheet.boxes([(begin, end)], top, bottom, face=look.alarm, z=0.4)
    pole = ruler - 12 - FLAG_HEIGHT
    sheet.lines([[(begin, top), (begin, pole)]], color=look.fault, width=1.6, z=6)
    label = "derail"
    if derail.consequences:
        label += f": {derail.consequences:,} consequence{'s' * (derail.consequences > 1)}"
    wide = (serif_width(label, 7.0) * 1.12 + 14) * point
    leftward = begin + wide > sheet.right_us + 30 * point
    tip = begin - wide if leftward else begin + wide
    notch = tip + 4 * point if leftward else tip - 4 * point
    sheet.shapes(
        [[(begin, pole), (tip, pole), (notch, pole + 5.5), (tip, pole + 11), (begin, pole + 11)]],
        face=look.fault,
        z=6,
    )
    sheet.text(
        (begin + notch) / 2, pole + 5.6, label, size=7.0, color=look.card, weight="bold", z=7
    )


def legend_height(view: View, diagnosis: Diagnosis | None, called: Sequence[Callout]) -> float:
    """Points that `draw_legend` needs."""
    told = _told(view, diagnosis, called)
    return sum(len(lines) for _, _, lines in told) * _LINE + 4 * len(told) + 8 if told else 0.0


def draw_legend(
    view: View, diagnosis: Diagnosis | None, called: Sequence[Callout], top: float
) -> None:
    """Write the findings below the picture, each beside its badge."""
    sheet, look = view.sheet, view.sheet.look
    point = sheet.us_per_point
    y = top + 8
    for mark, severity, lines in _told(view, diagnosis, called):
        left = sheet.left_us - 46 * point
        if mark:
            _badge(view, left - 8 * point, y + 0.5, mark, severity)
        color = look.ink if severity != "rest" else look.quiet
        if severity in ("fault", "oddity", "note"):
            sheet.text(left, y, severity, size=_TEXT, ha="left", style="italic", color=color)
        for line in lines:
            sheet.text(sheet.left_us - 6 * point, y, line, size=_TEXT, ha="left", color=color)
            y += _LINE
        y += 4


def _told(
    view: View, diagnosis: Diagnosis | None, called: Sequence[Callout]
) -> list[tuple[str, str, list[str]]]:
    """Rows of the legend as (badge, severity, lines)."""
    if diagnosis is None:
        return []
    room = view.sheet.plot_width + 50
    rows = []
    if diagnosis.derail is not None:
        derail = diagnosis.derail
        when = time_text(derail.time_ps)
        place = f"cycle {derail.cycle:,}"
        at = when if place in derail.text else f"{place}, {when}"
        text = f"Derail ({at}): {derail.text}"
        if derail.seen not in derail.text or derail.expected not in derail.text:
            text += f" Seen: {derail.seen}. Expected: {derail.expected}."
        rows.append(("»", "fault", wrap(text, room, _TEXT)))
    rows += [(str(c.number), c.finding.severity, wrap(c.told, room, _TEXT)) for c in called]
    left = len(diagnosis.findings) - len(called)
    if left:
        rows.append(("", "rest", [f"and {left:,} more finding{'s' if left > 1 else ''}"]))
    return rows
