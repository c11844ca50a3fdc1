"""The look: ink on ledger paper.

Colour is never the only carrier. A write is a filled card with the other corner cut, a thing not
known is hatched, a fault is a square badge, an oddity a round one, a note an open one, and each
badge has a number that the text below the picture repeats.

The four colours are from the palette of M. Okabe and K. Ito, "Color Universal Design" (2002,
revised 2008), made to stay apart for every common kind of colour blindness; matplotlib ships it
as ``okabe_ito``.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.colors import LinearSegmentedColormap

OKABE_ITO = {
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
}
"""The part of the palette that is used here."""

MONO = "DejaVu Sans Mono"
"""Values, addresses and instructions. It ships with matplotlib, so a picture is the same
everywhere; every glyph is 0.602 of the size wide."""
SERIF = "DejaVu Serif"
"""Names, headings and sentences."""
MONO_ADVANCE = 0.602


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of a picture, ``#RRGGBB``.

    Attributes
    ----------
    paper, ink, faint, quiet : str
        Ground, lines and text, rulings, and secondary text.
    card : str
        Ground of a value box.
    write : str
        Ground of a value box the CPU wrote; its text is `card`.
    fault, oddity : str
        Badges and the derail.
    meant : str
        Where the CPU meant something else than was seen.
    shade : str
        Reset and other regions, below everything.
    alarm : str
        The derail's cycle, below everything.
    """

    paper: str
    ink: str
    faint: str
    quiet: str
    card: str
    write: str
    fault: str
    oddity: str
    meant: str
    shade: str
    alarm: str

    @property
    def tones(self) -> LinearSegmentedColormap:
        """Colour map from paper (0) to ink (1) for strips and bands."""
        return LinearSegmentedColormap.from_list("ink", [self.paper, self.ink])


SCREEN = Look(
    paper="#FBF8F0",
    ink="#1E2A33",
    faint="#DDD6C4",
    quiet="#6B6A63",
    card="#FFFFFF",
    write=OKABE_ITO["blue"],
    fault=OKABE_ITO["vermillion"],
    oddity=OKABE_ITO["orange"],
    meant=OKABE_ITO["vermillion"],
    shade="#EFE9DA",
    alarm="#F6DDC6",
)
"""Warm paper and the published colours."""

PRINT = Look(
    paper="#FFFFFF",
    ink="#000000",
    faint="#D0D0D0",
    quiet="#555555",
    card="#FFFFFF",
    write="#4A4A4A",
    fault="#000000",
    oddity="#8A8A8A",
    meant="#000000",
    shade="#EEEEEE",
    alarm="#D8D8D8",
)
"""Greys on white, for paper and photocopies."""

_SETTINGS: dict[Any, Any] = {
    "font.family": [SERIF],
    "hatch.linewidth": 0.5,
    "lines.solid_capstyle": "butt",
    "lines.dash_capstyle": "butt",
    "path.simplify": True,
    "path.snap": True,
    "svg.hashsalt": "bustrace",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "text.usetex": False,
    "text.parse_math": False,
    "axes.unicode_minus": False,
    "savefig.bbox": None,
    "savefig.facecolor": "auto",
}


@contextmanager
def own_settings() -> Iterator[None]:
    """Matplotlib's settings as this room needs them, restored afterwards.

    A caller's own settings file must neither change the picture nor be changed by it.
    """
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        yield
