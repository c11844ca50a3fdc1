"""Which lanes a timeline has, in which order, and how high they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from bustrace.cycles import CONTROL, OWNER_FOREIGN, cycle_starts
from bustrace.draw.bins import I64
from bustrace.draw.sheet import Sheet
from bustrace.draw.window import Window
from bustrace.errors import InputError, nearest
from bustrace.hookup.model import ADDRESS_PINS, CLOCK_PINS, DATA_PINS, SELECT, Tap

if TYPE_CHECKING:
    from bustrace.reading import Reading

LaneKind = Literal["program", "wave", "select", "address", "data", "meant"]
Bus = Literal["address", "data"]
Detail = Literal["cards", "upright", "columns"]

SHOWN_NAMES = {
    "PHI2": "φ2",
    "PHI1": "φ1",
    "PHI0": "φ0",
    "RW": "R/W",
    "RES": "/RES",
    "IRQ": "/IRQ",
    "NMI": "/NMI",
    "VPB": "/VP",
    "ML": "/ML",
}
_LEFT_OF_BUS = ("RES",)
_BESIDE_BUS = ("SYNC", "RW")
_HEIGHTS: dict[LaneKind, dict[Detail, float]] = {
    "program": {"cards": 24, "upright": 24, "columns": 20},
    "wave": {"cards": 14, "upright": 14, "columns": 14},
    "select": {"cards": 11, "upright": 11, "columns": 11},
    "address": {"cards": 17, "upright": 30, "columns": 78},
    "data": {"cards": 17, "upright": 19, "columns": 56},
    "meant": {"cards": 19, "upright": 19, "columns": 10},
}
_GAPS: dict[LaneKind, float] = {
    "program": 6,
    "wave": 5,
    "select": 3.5,
    "address": 6,
    "data": 6,
    "meant": 1.5,
}


@dataclass(frozen=True, slots=True)
class Lane:
    """One lane.

    Attributes
    ----------
    kind : str
    key : str
        Pin name for ``wave`` and ``select``, else the kind; ``meant:address``, ``meant:data``.
    label : str
    tap : Tap or None
        The clip of a ``wave`` or ``select``.
    """

    kind: LaneKind
    key: str
    label: str
    tap: Tap | None = None


@dataclass(frozen=True)
class View:
    """A reading through a window, on a sheet.

    Attributes
    ----------
    reading : Reading
    window : Window
    sheet : Sheet
    """

    reading: Reading
    window: Window
    sheet: Sheet

    @cached_property
    def span(self) -> slice:
        """The window's cycles."""
        return slice(self.window.first, self.window.last + 1)

    @cached_property
    def all_starts_ps(self) -> I64:
        """Start of every cycle of the capture."""
        return cycle_starts(self.reading.cycles, self.reading.capture.start_ps)

    @property
    def starts_ps(self) -> I64:
        """Start of each cycle of the window."""
        return self.all_starts_ps[self.span]

    @property
    def ends_ps(self) -> I64:
        """End of each cycle of the window."""
        return self.reading.cycles.time_ps[self.span]

    def shows(self, cycle: int) -> bool:
        """Whether a cycle is in the window."""
        return self.window.first <= cycle <= self.window.last

    @cached_property
    def points_per_cycle(self) -> float:
        """Usual width of a cycle on the sheet."""
        if self.window.count <= 0:
            return 0.0
        usual = float(np.median(self.ends_ps - self.starts_ps))
        return usual / (self.sheet.end_ps - self.sheet.start_ps) * self.sheet.plot_width

    @property
    def detail(self) -> Detail:
        """Value boxes with level text, with upright text, or columns."""
        wide = self.points_per_cycle
        if self.sheet.fits("$FFFF", wide - 1.5, 6.0, 4.0):
            return "cards"
        return "upright" if wide >= 8.0 else "columns"

    def pin(self, name: str) -> npt.NDArray[np.uint8]:
        """Level of a control pin in the window's cycles: 0, 1, or 2."""
        return self.reading.cycles.pin(name)[self.span]

    def trace(self, tap: Tap) -> tuple[I64, npt.NDArray[np.uint8], int]:
        """Rows of one pin over the window: times, levels (0, 1, or 2), and when the last ends.

        A select's level is 1 while its line is at the active level.
        """
        capture, sheet = self.reading.capture, self.sheet
        time = capture.time_ps
        end = capture.end_ps
        if capture.mode == "state" and len(time) == len(self.all_starts_ps):
            time = self.all_starts_ps
            end = int(self.reading.cycles.time_ps[-1]) if len(time) else end
        low = max(int(np.searchsorted(time, sheet.start_ps, side="right")) - 1, 0)
        high = int(np.searchsorted(time, sheet.end_ps, side="left"))
        bit = np.uint64(tap.index)
        level = ((capture.state[low:high] >> bit) & np.uint64(1)).astype(np.uint8)
        if tap.inverted:
            level ^= 1
        if capture.known is not None:
            level[(capture.known[low:high] >> bit) & np.uint64(1) == 0] = 2
        return time[low:high], level, min(end, int(time[high]) if high < len(time) else end)

    def difference(self, bus: Bus) -> npt.NDArray[np.uint32]:
        """Bits in which the bus differs from what the CPU meant, one word a cycle of the window.

        None in cycles of another owner: what is on the bus then is not the CPU's.
        """
        cycles, intent = self.reading.cycles, self.reading.program.intent
        if len(intent.address) != len(cycles):
            return np.zeros(max(self.window.count, 0), dtype=np.uint32)
        own = cycles.owner[self.span] != OWNER_FOREIGN
        if bus == "address":
            both = cycles.address_known[self.span] & intent.address_known[self.span]
            return np.where(
                own, (cycles.address[self.span] ^ intent.address[self.span]) & both, np.uint32(0)
            )
        both8 = cycles.data_known[self.span] & intent.data_known[self.span]
        off = (cycles.data[self.span] ^ intent.data[self.span]) & both8
        return np.where(own, off, np.uint8(0)).astype(np.uint32)


def choose_lanes(view: View, lines: Sequence[str] | None) -> tuple[Lane, ...]:
    """All lanes the capture can fill, or those that were asked for, in that order.

    Raises
    ------
    InputError
        A name that is no lane, no captured pin and no line of the capture.
    """
    usual = _usual_lanes(view)
    if lines is None:
        return usual
    known: dict[str, Lane] = {}
    for tap in view.reading.hookup.taps:
        lane = _tap_lane(tap)
        for name in (tap.line, tap.pin, lane.label, tap.name):
            known[name.casefold()] = lane
    for lane in usual:
        known[lane.key.casefold()] = lane
        known[lane.label.casefold()] = lane
    for index, line in enumerate(view.reading.capture.lines):
        known.setdefault(line.casefold(), _tap_lane(Tap(line, index, line)))
    chosen = []
    for name in lines:
        found = known.get(name.casefold())
        if found is None:
            close = nearest(name, known)
            raise InputError(
                "there is no such line to draw",
                key="lines",
                found=name,
                expected="one of " + ", ".join(dict.fromkeys(lane.key for lane in known.values())),
                advice=f"did you mean {close}?" if close else None,
            )
        chosen.append(found)
        if found.kind in ("address", "data"):
            chosen += [lane for lane in usual if lane.key == f"meant:{found.kind}"]
    return tuple(dict.fromkeys(chosen))


def _usual_lanes(view: View) -> tuple[Lane, ...]:
    hookup = view.reading.hookup
    taps = {tap.pin: tap for tap in hookup.taps}
    lanes = []
    clock = next((t for t in hookup.taps if t.line == view.reading.cycles.clock.line), None)
    clock = clock or next((taps[pin] for pin in CLOCK_PINS if pin in taps), None)
    if clock is not None:
        lanes.append(_tap_lane(clock))
    lanes += [_tap_lane(taps[pin]) for pin in _LEFT_OF_BUS if pin in taps]
    if view.window.count > 0:
        lanes.append(Lane("program", "program", "program"))
    lanes += [_tap_lane(taps[pin]) for pin in _BESIDE_BUS if pin in taps]
    if view.window.count > 0:
        buses: tuple[tuple[Bus, int], ...] = (
            ("address", hookup.address_mask),
            ("data", hookup.data_mask),
        )
        for bus, mask in buses:
            if mask and not _has_whole_digit(mask):
                pins = ADDRESS_PINS if bus == "address" else DATA_PINS
                lanes += [_tap_lane(taps[pin]) for pin in pins if pin in taps]
            elif mask:
                lanes.append(Lane(bus, bus, bus))
                if view.difference(bus).any():
                    lanes.append(Lane("meant", f"meant:{bus}", "CPU meant"))
    else:
        lanes += [_tap_lane(taps[pin]) for pin in (*ADDRESS_PINS, *DATA_PINS) if pin in taps]
    lanes += [_tap_lane(tap) for tap in hookup.selects]
    others = [pin for pin in CONTROL if pin not in (*_LEFT_OF_BUS, *_BESIDE_BUS)]
    lanes += [_tap_lane(taps[pin]) for pin in others if pin in taps]
    if not hookup.taps:
        lanes += [
            _tap_lane(Tap(line, index, line))
            for index, line in enumerate(view.reading.capture.lines)
        ]
    return tuple(lanes)


def _has_whole_digit(mask: int) -> bool:
    """Whether a bus can be written in hexadecimal at all: else its lines are drawn singly."""
    return any(mask >> shift & 0xF == 0xF for shift in range(0, 16, 4))


def _tap_lane(tap: Tap) -> Lane:
    if tap.pin.startswith(SELECT):
        return Lane("select", tap.pin, f"{tap.name} select", tap)
    return Lane("wave", tap.pin, SHOWN_NAMES.get(tap.pin, tap.pin), tap)


def lane_height(lane: Lane, detail: Detail, *, quiet: bool) -> float:
    """Points of a lane; a line that stays where it is needs fewer."""
    if quiet and lane.kind in ("wave", "select"):
        return 9.0
    return _HEIGHTS[lane.kind][detail]


def lane_gap(lane: Lane) -> float:
    """Points above a lane."""
    return _GAPS[lane.kind]
