"""Bus cycles as columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note
from bustrace.hookup import CONTROL_PINS

CONTROL = CONTROL_PINS
"""Control pins; bit i of `Cycles.control` is the level of ``CONTROL[i]``. Order is fixed."""

CONTROL_BIT = {name: bit for bit, name in enumerate(CONTROL)}

OWNER_CPU, OWNER_FOREIGN, OWNER_UNKNOWN = 0, 1, 2

UNSETTLED = 1
"""A captured line still moved in the sampling window: address, data or what the CPU drives, or any
pin that jumped for the one sample."""
STRETCHED = 2
"""The cycle lasted at least 1.5 times the usual one."""
SHORT = 4
"""The cycle lasted less than 0.75 of the usual one."""
IN_RESET = 8
"""RES was low when the cycle ended."""


@dataclass(frozen=True, slots=True)
class Clock:
    """What the clock did.

    Attributes
    ----------
    line : str or None
        Capture line the edges come from, None without one.
    role : str
        ``phase 2``, ``phase 1, inverted``, ``phase 0``, ``estimated`` (without a clock line, from
        the moves of the bus), ``state rows`` or ``none``.
    period_ps : int or None
        Median time between falls of phase 2.
    high_ps, low_ps : int or None
        Median width of the two halves.
    min_period_ps, max_period_ps : int or None
        Shortest and longest cycle that was kept.
    rejected : int
        Pulses too short to be a clock, left out.
    starts_ps : int or None
        First edge.
    stops_ps : int or None
        Last edge, when the clock then rests for more than 8 periods until the end of the
        capture; else None.
    rests_at : int or None
        Level at which it rests then.
    divided_by : int
        1, or how many edges of a faster clock make one cycle.
    seen_share : float or None
        Of an estimated clock: share of the cycles at whose end the bus was seen to move.
    longest_unseen : int or None
        The longest run of cycles at whose end it was not.
    """

    line: str | None
    role: Literal["phase 2", "phase 1, inverted", "phase 0", "estimated", "state rows", "none"]
    period_ps: int | None = None
    high_ps: int | None = None
    low_ps: int | None = None
    min_period_ps: int | None = None
    max_period_ps: int | None = None
    rejected: int = 0
    starts_ps: int | None = None
    stops_ps: int | None = None
    rests_at: int | None = None
    divided_by: int = 1
    seen_share: float | None = None
    longest_unseen: int | None = None


@dataclass(frozen=True, slots=True)
class Sampling:
    """Where in the cycle the levels were taken, and how lines move around the clock's fall.

    Attributes
    ----------
    offset_ps : int
        Sampling point relative to the fall of phase 2; negative is before.
    bins_ps : int64, shape (b,)
        Left edges of the histogram's bins, relative to the fall.
    moves : int64, shape (lines, b)
        Changes of each capture line a bin; of at most 262,144 cycles, spread over the capture.
    """

    offset_ps: int
    bins_ps: npt.NDArray[np.int64]
    moves: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """One row a bus cycle, from one fall of phase 2 to the next. Not captured is never 0.

    All arrays are read-only and of shape (n,) unless told otherwise.

    Attributes
    ----------
    time_ps : int64
        First sample after the fall of phase 2 that ends the cycle (state mode: the row's time).
    rise_ps : int64
        First sample after the rise of phase 2 within the cycle; -1 where not seen.
    address, address_known : uint32
        Levels of A0 to A15 when the cycle ended, and which of them were captured and known.
    data, data_known : uint8
        The same for D0 to D7.
    control, control_known : uint16
        Pin levels, bit i is ``CONTROL[i]``.
    selects, selects_known : uint32
        1 when asserted, bit i is ``select_names[i]``; asserted at any time in the read window
        (the second half of phase 2 high) counts.
    select_names : tuple of str
        Chip references.
    owner : uint8
        `OWNER_CPU`, `OWNER_FOREIGN` or `OWNER_UNKNOWN`.
    other_address, other_address_known : uint32
        The bus at the end of the other half-cycle (phase 2 low), for shared buses.
    other_data, other_data_known : uint8
        The same for the data bus.
    flags : uint8
        `UNSETTLED`, `STRETCHED`, `SHORT`, `IN_RESET`.
    clock : Clock
    sampling : Sampling or None
        None in state mode, where the clock is estimated, and without cycles.
    reason : str or None
        Why there are no cycles, when there are none.
    notes : tuple of Note
    """

    time_ps: npt.NDArray[np.int64]
    rise_ps: npt.NDArray[np.int64]
    address: npt.NDArray[np.uint32]
    address_known: npt.NDArray[np.uint32]
    data: npt.NDArray[np.uint8]
    data_known: npt.NDArray[np.uint8]
    control: npt.NDArray[np.uint16]
    control_known: npt.NDArray[np.uint16]
    selects: npt.NDArray[np.uint32]
    selects_known: npt.NDArray[np.uint32]
    select_names: tuple[str, ...]
    owner: npt.NDArray[np.uint8]
    other_address: npt.NDArray[np.uint32]
    other_address_known: npt.NDArray[np.uint32]
    other_data: npt.NDArray[np.uint8]
    other_data_known: npt.NDArray[np.uint8]
    flags: npt.NDArray[np.uint8]
    clock: Clock
    sampling: Sampling | None = None
    reason: str | None = None
    notes: tuple[Note, ...] = field(default=())

    def __post_init__(self) -> None:
        n = len(self.time_ps)
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, np.ndarray):
                if len(column) != n:
                    raise ValueError(f"{name} has {len(column)} rows, not {n}")
                column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.time_ps)

    def __repr__(self) -> str:
        return f"<Cycles: {len(self):,}{', ' + self.reason if self.reason else ''}>"

    @property
    def mean_period_ps(self) -> float | None:
        """Mean length of the even cycles, ps: `clock.period_ps` is a median of whole samples, and
        off by up to one. None without cycles.
        """
        period = self.clock.period_ps
        if not period:
            return None
        steps = np.diff(self.time_ps)
        even = steps[(steps > 0.75 * period) & (steps < 1.25 * period)]
        return float(even.mean()) if len(even) else float(period)

    def pin(self, name: str) -> npt.NDArray[np.uint8]:
        """Level of a control pin in every cycle: 0, 1, or 2 where not captured or unknown.

        Raises
        ------
        KeyError
            No control pin of that name.
        """
        bit = np.uint16(1 << CONTROL_BIT[name])
        unknown = (self.control_known & bit == 0).view(np.uint8)
        high = (self.control & self.control_known & bit != 0).view(np.uint8)
        level: npt.NDArray[np.uint8] = high | unknown << np.uint8(1)
        return level

    def select(self, ref: str) -> npt.NDArray[np.uint8]:
        """Whether a chip was selected: 0, 1, or 2 where not captured or unknown.

        Raises
        ------
        ValueError
            No select of that chip was captured.
        """
        bit = np.uint32(self.select_names.index(ref))
        level = ((self.selects >> bit) & 1).astype(np.uint8)
        level[(self.selects_known >> bit) & 1 == 0] = 2
        return level
