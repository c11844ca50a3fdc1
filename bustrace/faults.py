"""The fault vocabulary: every fault that can be planted, found or suspected has one name here.

A fault's text id is ``family:what[=level][@place]``::

    stuck:A9=1@bus        line A9 high for everyone
    short:D1+D4@bus       two lines joined
    open:A7@U4            the net does not reach U4's pin
    stuck:BANK=0@U9       a bank bit of the board file, at the latch U9 that holds it
    stuck:DIR=1@U3        a data buffer that always passes towards the CPU (0: away from it)
    clip:A3               only the probe is off
    silent:U4             the chip never drives when it should
    doubled:U4+U6         where U4 answers, U6 drives too
    swapped:U4+U6         two chips in each other's sockets
    always:U6             the chip drives without being selected
    content:U4            a ROM's bytes are not the image's
    cell:U6.0012.3=1      bit 3 of the byte at offset $0012 in U6
    plane:U6.3            bit 3 of every byte of U6
    retention:U6          U6 forgets
    register:U9           a register of U9 does not hold what it should
    clock:stops  clock:absent  reset:held  reset:repeats
    held:IRQ=0            a control line held at a level
    cpu:U1                the CPU does not do what its inputs say
    shared:ram-bank       one cause behind a group of parts
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

PLACES = ("clip", "cpu", "bus", "behind", "decoder", "read", "write")
"""Where on a net a fault sits. A chip's reference stands for that chip's pin.

``clip``: only the probe sees it. ``cpu``: at the CPU's pin. ``bus``: everyone sees it.
``behind``: between the clip and the chips. ``decoder``: at the decoder's input. ``read``,
``write``: in that direction's path only.
"""

LINE_FAMILIES = {"stuck": 1, "open": 1, "clip": 1, "held": 1, "short": 2}
"""Families that name lines, and how many at least."""
CHIP_FAMILIES = {
    "silent": 1,
    "always": 1,
    "content": 1,
    "cell": 1,
    "plane": 1,
    "retention": 1,
    "register": 1,
    "cpu": 1,
    "doubled": 2,
    "swapped": 2,
}
"""Families that name chips, and how many."""
STATE_FAMILIES = {"clock": ("absent", "stops"), "reset": ("held", "repeats")}
"""Families that name how a line fails, and their words."""
SELECT = "CS_"
"""Stands before a chip's reference for its select line, as in ``stuck:CS_U4=1@decoder``."""
OTHER_CHIP = "other"
"""Stands for a chip that nobody named, in ``doubled:ROM+other``."""

RAM_BANK = "ram-bank"
"""What all RAM chips share, in ``shared:ram-bank``."""


def rail_word(rail: str) -> str:
    """A rail's name in ``shared:``: ``rail-12V`` for ``+12V``, ``rail-minus5V`` for ``-5V``."""
    signed = re.sub(r"^\+", "", re.sub(r"^-", "minus", rail.strip()))
    return "rail-" + re.sub(r"[^A-Za-z0-9_\-/#]", "_", signed)


FAMILIES = (*LINE_FAMILIES, *CHIP_FAMILIES, *STATE_FAMILIES, "shared")
"""Every family, in the order of the text above this module."""

WEIGHED = tuple(f for f in FAMILIES if f not in (*STATE_FAMILIES, "held", "cpu"))
"""Families that are told from the board's answers; the others are seen on a line itself, or follow
from what the CPU did.
"""

LEVELLED = {"stuck", "held", "cell"}
"""Families with a level."""
PLACED = {"stuck", "short", "open"}
"""Families with a place."""
_NAME = r"[A-Za-z0-9_][A-Za-z0-9_\-/#]*"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that can be wrong.

    Attributes
    ----------
    family : str
        One of `FAMILIES`.
    lines : tuple of str
        Pin names of the lines concerned; a short's are sorted.
    chip : str or None
        Chip reference; two joined by ``+`` for ``doubled`` (the one that should answer first)
        and ``swapped`` (sorted); reference with the cell or bit for ``cell`` (``U6.0012.3``) and
        ``plane`` (``U6.3``); the word for ``clock``, ``reset`` and ``shared``.
    level : int or None
        0 or 1, for ``stuck``, ``held`` and ``cell``.
    place : str or None
        One of `PLACES` or a chip reference, for ``stuck``, ``short`` and ``open``.

    Raises
    ------
    ValueError
        When the parts do not make a fault of the vocabulary.
    """

    family: str
    lines: tuple[str, ...] = ()
    chip: str | None = None
    level: int | None = None
    place: str | None = None

    def __post_init__(self) -> None:
        family = self.family
        if family not in FAMILIES:
            raise ValueError(f"unknown fault family {family!r}: one of {', '.join(FAMILIES)}")
        wanted_lines = LINE_FAMILIES.get(family, 0)
        if len(self.lines) < wanted_lines or (len(self.lines) > wanted_lines and family != "short"):
            raise ValueError(f"{family} takes {wanted_lines or 'no'} line(s), not {self.lines!r}")
        if len(set(self.lines)) != len(self.lines):
            raise ValueError(f"{family} names the same line twice: {self.lines!r}")
        names = [*self.lines, *([self.place] if self.place is not None else [])]
        if family not in ("cell", "plane"):
            names += (self.chip or "").split("+") if self.chip is not None else []
        for name in names:
            if not re.fullmatch(_NAME, name):
                raise ValueError(f"{name!r} is not a name: letters, digits, and _ - / # after one")
        if (self.chip is None) != (wanted_lines > 0):
            raise ValueError(f"{family} {'takes no' if wanted_lines else 'needs a'} chip or word")
        if family in STATE_FAMILIES and self.chip not in STATE_FAMILIES[family]:
            raise ValueError(f"{family} is one of {', '.join(STATE_FAMILIES[family])}")
        wanted_chips = CHIP_FAMILIES.get(family, 0)
        if wanted_chips and (len(self.chips), len(set(self.chips))) != (wanted_chips, wanted_chips):
            how = "two chips, each once, joined by '+'" if wanted_chips == 2 else "one chip"
            raise ValueError(f"{family} takes {how}, not {self.chip!r}")
        if family == "cell" and not re.fullmatch(_NAME + r"\.[0-9A-F]{4,}\.[0-7]", self.chip or ""):
            raise ValueError(f"cell is CHIP.ADDRESS.BIT (hex address), not {self.chip!r}")
        if family == "plane" and not re.fullmatch(_NAME + r"\.[0-7]", self.chip or ""):
            raise ValueError(f"plane is CHIP.BIT, not {self.chip!r}")
        if (self.level is not None) != (family in LEVELLED) or self.level not in (None, 0, 1):
            raise ValueError(
                f"{family} takes {'level 0 or 1' if family in LEVELLED else 'no level'}"
            )
        if (self.place is not None) != (family in PLACED):
            raise ValueError(f"{family} {'needs a' if family in PLACED else 'takes no'} place")
        if family == "short":
            object.__setattr__(self, "lines", tuple(sorted(self.lines, key=_natural)))
        if family == "swapped":
            object.__setattr__(self, "chip", "+".join(sorted(self.chips, key=_natural)))

    @property
    def chips(self) -> tuple[str, ...]:
        """Chip references named by the fault, without cell or bit; the place's chip included."""
        if self.family in STATE_FAMILIES or self.family == "shared":
            return ()
        if self.chip is None:
            return (self.place,) if self.place and self.place not in PLACES else ()
        return tuple(part.split(".")[0] for part in self.chip.split("+"))

    def __str__(self) -> str:
        what = "+".join(self.lines) if self.lines else str(self.chip)
        level = "" if self.level is None else f"={self.level}"
        place = "" if self.place is None else f"@{self.place}"
        return f"{self.family}:{what}{level}{place}"

    @classmethod
    def parse(cls, text: str) -> Fault:
        """Read a text id.

        Raises
        ------
        ValueError
            When the text is no fault id; the message names the part at fault.
        """
        match = re.fullmatch(r"([a-z]+):([^=@\s]+)(?:=([^@\s]*))?(?:@(\S+))?", text)
        if match is None:
            raise ValueError(f"{text!r} is not a fault id: family:what[=level][@place]")
        family, what, level, place = match.groups()
        if level is not None and level not in ("0", "1"):
            raise ValueError(f"{text!r}: level must be 0 or 1, not {level!r}")
        by_line = family in LINE_FAMILIES
        return cls(
            family,
            lines=tuple(what.split("+")) if by_line else (),
            chip=None if by_line else what,
            level=None if level is None else int(level),
            place=place,
        )


def fault_ids(faults: Iterable[Fault]) -> list[str]:
    """Text ids, sorted."""
    return sorted(str(fault) for fault in faults)


def _natural(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts A9 before A10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part)) if part.isdigit() else (1, part) for part in parts)
