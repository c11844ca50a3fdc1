"""What the makers' sheets allow on the bus, by part and speed, under the sheets' own names."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

MEANINGS = {
    "tCYC": "from fall to fall of phase 2",
    "tPWL": "phase 2 low",
    "tPWH": "phase 2 high",
    "tADS": "fall of phase 2 to address valid",
    "tRWS": "fall of phase 2 to R/W valid",
    "tAH": "address holds after the fall",
    "tACC": "address valid to data valid (read)",
    "tDSU": "data valid before the fall (read)",
    "tDHR": "data hold after the fall (read)",
    "tMDS": "rise of phase 2 to data valid (write)",
    "tDHW": "data hold after the fall (write)",
}
"""Timing names of the sheets; Rockwell's writes tHA, tHR and tHW for tAH, tDHR and tDHW."""

AT_MOST = frozenset({"tADS", "tRWS", "tACC", "tMDS"})
"""Limits that must not be exceeded; the others must be reached."""


@dataclass(frozen=True, slots=True)
class MakersLimits:
    """One column of a sheet.

    Attributes
    ----------
    ns : mapping of str to int
        Limit by name; a name the sheet does not give is absent.
    grade : str
        Part and speed, as the sheet has them.
    source : str
    loosest : mapping of str to int
        The least demanding limit that any maker gave a part of this kind at the clock: what is
        beyond it no sheet allows. Same names as `ns`.
    """

    ns: dict[str, int]
    grade: str
    source: str
    loosest: dict[str, int]

    def __getitem__(self, name: str) -> int | None:
        return self.ns.get(name)


_NAMES = tuple(MEANINGS)
_R65 = "Rockwell R650X/R651X data sheet, document 29000D39 revision 8, June 1987, page 13"
_SY = "Synertek SY6500 data-book sheet, page 3-39"
_RC = "Rockwell R65C02/R65C102/R65C112 data sheet, revision 6, June 1987, page 1-13"
_SYC = "Synertek SY65C02 data sheet, preliminary"
_6510 = "the maker's 6510 data sheet, revision A, November 1982"
_W = "WDC W65C02S data sheet, 8 October 2018, table 6-3, 5 V"

# Columns in the order of MEANINGS, ns; 0 where the sheet gives none.
_Row = tuple[int, str, str, tuple[int, ...]]
_NMOS: tuple[_Row, ...] = (
    (1, "R6500, 1 MHz", _R65, (1000, 480, 460, 225, 225, 30, 650, 100, 10, 175, 30)),
    (2, "R6500A, 2 MHz", _R65, (500, 240, 240, 140, 140, 30, 310, 50, 10, 100, 30)),
    (3, "R6500B, 3 MHz", _R65, (0, 0, 0, 110, 110, 15, 0, 50, 0, 85, 15)),
    (4, "SY6500C, 4 MHz", _SY, (250, 110, 115, 90, 90, 10, 110, 50, 10, 70, 20)),
)
_TABLES: dict[str, tuple[_Row, ...]] = {
    "6510": (
        (1, "6510, 1 MHz", _6510, (1000, 430, 470, 300, 300, 10, 575, 100, 10, 200, 10)),
        (2, "6510, 2 MHz", _6510, (500, 215, 235, 150, 150, 10, 300, 50, 10, 100, 10)),
    ),
    "R65C02": (
        (1, "R65C02, 1 MHz", _RC, (0, 430, 450, 125, 125, 15, 775, 100, 10, 200, 30)),
        (2, "R65C02, 2 MHz", _RC, (0, 210, 220, 100, 100, 15, 340, 60, 10, 110, 30)),
        (4, "R65C02, 4 MHz", _RC, (0, 100, 110, 70, 70, 15, 160, 30, 10, 55, 30)),
    ),
    "65C02": (
        (1, "SY65C02, 1 MHz", _SYC, (0, 470, 470, 225, 0, 30, 650, 100, 10, 175, 30)),
        (2, "SY65C02, 2 MHz", _SYC, (0, 240, 240, 140, 0, 30, 310, 50, 10, 100, 30)),
        (4, "SY65C02, 4 MHz", _SYC, (0, 115, 115, 90, 0, 10, 110, 50, 10, 70, 30)),
    ),
    "W65C02S": ((14, "W65C02S, rated 14 MHz", _W, (0, 35, 35, 30, 30, 10, 0, 10, 10, 25, 10)),),
}


_KINDS: dict[str, tuple[tuple[_Row, ...], ...]] = {
    "R65C02": (_TABLES["R65C02"], _TABLES["65C02"]),
    "65C02": (_TABLES["R65C02"], _TABLES["65C02"]),
    # Its sheet gives one speed at each supply voltage; which of them a board has is not seen.
    "W65C02S": (
        _TABLES["W65C02S"],
        ((14, "W65C02S, 1.8 V", _W, (0, 250, 250, 150, 150, 10, 0, 60, 10, 140, 10)),),
    ),
}
_ANY_NMOS = (_NMOS, _TABLES["6510"])
"""The 6510's sheet is the slowest of the NMOS parts; a 6502 of the first years was no faster (from
memory)."""


def makers_limits(variant: str, clock_hz: Fraction) -> MakersLimits | None:
    """Limits of the slowest grade of a part that runs at a clock; None above the fastest.

    Parameters
    ----------
    variant : str
        Name of a CPU variant; parts without a table of their own are NMOS parts.

    Notes
    -----
    tACC of the W65C02S is left out: the sheet gives it at the rated speed alone, and a slower
    clock leaves the memory more time.
    """
    row = _row_for(_TABLES.get(variant, _NMOS), clock_hz)
    if row is None:
        return None
    _, grade, source, columns = row
    limits = _named(columns)
    loosest = dict(limits)
    for table in _KINDS.get(variant, _ANY_NMOS):
        other = _row_for(table, clock_hz)
        for name, limit in _named(other[3] if other is not None else ()).items():
            if name in loosest:
                choose = max if name in AT_MOST else min
                loosest[name] = choose(loosest[name], limit)
    return MakersLimits(limits, grade, source, loosest)


def _row_for(table: tuple[_Row, ...], clock_hz: Fraction) -> _Row | None:
    # Crystals a little above the grade's figure were common: 1.023 MHz on a 1 MHz part.
    return next((row for row in table if clock_hz <= row[0] * Fraction(103, 100) * 10**6), None)


def _named(columns: tuple[int, ...]) -> dict[str, int]:
    return {name: limit for name, limit in zip(_NAMES, columns, strict=False) if limit}
