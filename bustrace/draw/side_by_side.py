"""Two boots, one above the other, by what the CPU did and not by when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.compare import Comparison, Step, steps_around
from bustrace.compare.instructions import row_words
from bustrace.draw.buses import hex_text
from bustrace.draw.look import MONO_ADVANCE
from bustrace.draw.plate import Plate, cannot_show, file_name, hang, no_cycles, time_text
from bustrace.draw.sheet import GUTTER, MARGIN, Sheet, card

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "Side by side: a good boot and this one"
TITLE_ROM = "Side by side: as it should be, and this boot"
_NARROWEST, _WIDEST = 17.0, 44.0
"""Points of a cycle."""
_ROW, _BUS, _DATA, _BETWEEN = 17.0, 30.0, 22.0, 26.0
_STRIP = _ROW + _BUS + _DATA + 22.0
"""Points of one boot: instruction, address, data, cycle numbers."""
_BEFORE = 0.4
"""Share of the picture before the divergence."""
_FOOT = (
    "Cycles stand above each other where both boots run the same instruction, whatever the time. "
    "Waits, and further rounds of a loop that only one boot makes, are left out. A filled card "
    "with its left corner cut is a write. Between the boots A, D and R mark where the clips saw "
    "another address, data or R/W; the square badge is the first divergence.",
)


def draw_side_by_side(
    comparison: Comparison,
    *,
    cycle: int | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw both timelines around a cycle, aligned by what the CPU did, with the differences marked.

    Parameters
    ----------
    comparison : Comparison
        One with the ROM image alone has, in place of the good boot, what the CPU meant and what
        memory should have given.
    cycle : int or None
        Cycle of the bad boot; by default the first divergence.
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. Boots without a program give a picture that says so.
    """
    steps = steps_around(comparison, cycle, before=12, after=14)
    if not steps:
        bad = comparison.bad
        compose = cannot_show(
            bad,
            TITLE,
            no_cycles(bad) or "no program was found in it",
            "Clip phase 2, R/W, the data bus and as many address lines as there are clips.",
        )
    else:

        def compose(points: float) -> Plate:
            return _compose(comparison, steps, cycle, points)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


@dataclass(frozen=True, slots=True)
class _Value:
    """One cycle of one boot: texts, and whether the CPU wrote."""

    address: str
    data: str
    wrote: bool
    number: int


@dataclass(frozen=True, slots=True)
class _Strip:
    """One boot over the steps.

    Attributes
    ----------
    name : str
    values : tuple of _Value or None
        One a step.
    rows : tuple of (first step, end, text)
    """

    name: str
    values: tuple[_Value | None, ...]
    rows: tuple[tuple[int, int, str], ...]


def _compose(
    comparison: Comparison, steps: tuple[Step, ...], cycle: int | None, points: float
) -> Plate:
    steps = _window(comparison, steps, cycle, points)
    good, bad = comparison.good, comparison.bad
    first = comparison.first
    upper = (
        _strip("good boot", good, steps, [(s.good, s.good_row) for s in steps])
        if good is not None
        else _meant(comparison, steps)
    )
    lower = _strip("this boot", bad, steps, [(s.bad, s.bad_row) for s in steps])
    facts = [file_name(bad)]
    facts.append(f"beside {file_name(good)}" if good is not None else "beside the ROM images")
    foot = list(_FOOT)
    if first is not None:
        facts.append(f"divergence in cycle {first.cycle:,}, {time_text(first.time_ps)}")
        foot.insert(0, f"The divergence: {first.text}.")

    def paint(sheet: Sheet, top: float) -> None:
        pitch = min(sheet.plot_width / len(steps), _WIDEST)
        edge = [sheet.left_us + pitch * place for place in range(len(steps) + 1)]
        _shade(sheet, steps, edge, top)
        _draw_strip(sheet, upper, edge, top + 4, numbers_above=True)
        _draw_between(sheet, steps, edge, top + _STRIP)
        _draw_strip(sheet, lower, edge, top + _STRIP + _BETWEEN, numbers_above=False)

    title = TITLE if good is not None else TITLE_ROM
    return Plate(title, tuple(facts), 2 * _STRIP + _BETWEEN + 8, paint, tuple(foot))


def _window(
    comparison: Comparison, steps: tuple[Step, ...], cycle: int | None, points: float
) -> tuple[Step, ...]:
    """As many steps as have room, around the one that matters."""
    room = max(int((points - GUTTER - MARGIN) / _NARROWEST), 4)
    if cycle is None and comparison.first is not None:
        cycle = comparison.first.cycle
    middle = next((at for at, step in enumerate(steps) if step.bad == cycle), len(steps) // 2)
    begin = max(min(middle - int(room * _BEFORE), len(steps) - room), 0)
    return steps[begin : begin + room]


def _strip(
    name: str,
    reading: Reading,
    steps: Sequence[Step],
    cells: Sequence[tuple[int | None, int | None]],
) -> _Strip:
    cycles = reading.cycles
    values: list[_Value | None] = []
    for at, _ in cells:
        if at is None:
            values.append(None)
            continue
        values.append(
            _Value(
                hex_text(int(cycles.address[at]), int(cycles.address_known[at]), 4),
                hex_text(int(cycles.data[at]), int(cycles.data_known[at]), 2),
                bool(cycles.pin("RW")[at] == 0),
                at,
            )
        )
    return _Strip(name, tuple(values), _rows(reading, cells))


def _rows(
    reading: Reading, cells: Sequence[tuple[int | None, int | None]]
) -> tuple[tuple[int, int, str], ...]:
    """Where each instruction stands among the steps."""
    program = reading.program
    rows = [program.row_of(at) if at is not None else -1 for at, _ in cells]
    found = []
    place = 0
    for row, group in groupby(rows):
        count = len(list(group))
        if row >= 0:
            found.append((place, place + count, row_words(reading, row)))
        place += count
    return tuple(found)


def _meant(comparison: Comparison, steps: Sequence[Step]) -> _Strip:
    """What the CPU meant and memory should have given, as a strip."""
    bad = comparison.bad
    intent = bad.program.intent
    values: list[_Value | None] = []
    for step in steps:
        at = step.bad
        if at is None:
            values.append(None)
            continue
        wrote = intent.rw[at] == 0
        data, known = (
            (intent.data, intent.data_known)
            if wrote
            else (comparison.expected, comparison.expected_known)
        )
        values.append(
            _Value(
                hex_text(int(intent.address[at]), int(intent.address_known[at]), 4),
                hex_text(int(data[at]), int(known[at]), 2),
                bool(wrote),
                at,
            )
        )
    return _Strip("should be", tuple(values), _rows(bad, [(s.bad, s.bad_row) for s in steps]))


def _shade(sheet: Sheet, steps: Sequence[Step], edge: Sequence[float], top: float) -> None:
    """The divergence's column, and where the boots run different instructions."""
    look, bottom = sheet.look, top + 2 * _STRIP + _BETWEEN + 4
    apart = [(edge[k], edge[k + 1]) for k, step in enumerate(steps) if step.apart]
    sheet.boxes(apart, top, bottom, face=look.shade, z=0.5)
    hit = [(edge[k], edge[k + 1]) for k, step in enumerate(steps) if step.diverges]
    sheet.boxes(hit, top, bottom, face=look.alarm, edge=look.fault, width=1.0, z=0.6)


def _draw_strip(
    sheet: Sheet, strip: _Strip, edge: Sequence[float], top: float, *, numbers_above: bool
) -> None:
    look = sheet.look
    y = top + (14.0 if numbers_above else 0.0)
    numbers = top + 6.0 if numbers_above else top + _ROW + _BUS + _DATA + 14.0
    sheet.name(y + _ROW / 2, strip.name)
    sheet.name(y + _ROW + 2 + _BUS / 2, "address")
    sheet.name(y + _ROW + _BUS + 4 + _DATA / 2, "data")
    sheet.name(numbers, "cycle")
    for begin, end, text in strip.rows:
        left, right = edge[begin] + 0.75, edge[end] - 0.75
        sheet.boxes([(left, right)], y, y + _ROW - 3, face=look.card, edge=look.quiet)
        shown = _shortened(text, right - left - 4, 6.2)
        sheet.text(left + 3, y + _ROW / 2 - 1.5, shown, size=6.2, mono=True, ha="left")
    _draw_cards(sheet, strip, edge, y + _ROW, _BUS, lambda value: value.address)
    _draw_cards(sheet, strip, edge, y + _ROW + _BUS + 2, _DATA, lambda value: value.data)
    pitch = edge[1] - edge[0]
    every = max(round(52 / pitch), 1)
    for place, value in enumerate(strip.values):
        if value is not None and place % every == 0:
            middle = (edge[place] + edge[place + 1]) / 2
            sheet.text(middle, numbers, f"{value.number:,}", size=6.0, color=look.quiet)


def _shortened(text: str, room: float, size: float) -> str:
    letters = int(room / (MONO_ADVANCE * size))
    if letters < 2:
        return ""
    return text if len(text) <= letters else text[: letters - 1] + "…"


def _draw_cards(
    sheet: Sheet,
    strip: _Strip,
    edge: Sequence[float],
    top: float,
    height: float,
    text_of: Callable[[_Value], str],
) -> None:
    look = sheet.look
    kinds: dict[str, list[list[tuple[float, float]]]] = {"read": [], "write": [], "unknown": []}
    for place, value in enumerate(strip.values):
        if value is None:
            continue
        left, right = edge[place] + 0.75, edge[place + 1] - 0.75
        cut = min(3.0, (right - left) / 4)
        text = text_of(value)
        kind = "unknown" if text == "-" else "write" if value.wrote else "read"
        kinds[kind].append(card(left, right, top, top + height - 2, cut, cut, left_cut=value.wrote))
        if kind == "unknown":
            continue
        upright = not sheet.fits(text, right - left, 6.5, 3.0)
        sheet.text(
            (left + right) / 2,
            top + height / 2 - 1,
            text,
            size=6.5,
            mono=True,
            color=look.card if value.wrote else look.ink,
            rotation=90.0 if upright else 0.0,
            va="center" if upright else "center_baseline",
            weight="bold" if value.wrote else "normal",
        )
    sheet.shapes(kinds["read"], face=look.card, edge=look.ink)
    sheet.shapes(kinds["write"], face=look.write, edge=look.write)
    sheet.shapes(kinds["unknown"], face=look.shade, edge=look.quiet, hatch="////")


def _draw_between(sheet: Sheet, steps: Sequence[Step], edge: Sequence[float], top: float) -> None:
    """Which lines differ, step by step: a letter each, a square badge at the divergence."""
    look, middle = sheet.look, top + _BETWEEN / 2
    sheet.name(middle, "differs")
    for place, step in enumerate(steps):
        x = (edge[place] + edge[place + 1]) / 2
        if step.diverges:
            sheet.boxes([(x - 5, x + 5)], middle - 5, middle + 5, face=look.fault, z=5.0)
            sheet.text(x, middle, "1", size=7.0, color=look.card, weight="bold")
        elif step.differs:
            letters = "".join(name[0].upper() for name in step.differs)
            sheet.text(x, middle, letters, size=6.0, mono=True, color=look.meant)
    for apart, group in groupby(enumerate(steps), key=lambda pair: pair[1].apart):
        places = [place for place, _ in group]
        if apart and len(places) > 5:
            x = (edge[places[0]] + edge[places[-1] + 1]) / 2
            sheet.text(x, middle, "other instructions", size=6.5, color=look.quiet, style="italic")
