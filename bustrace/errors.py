"""Errors that a user can cause and mend.

    BustraceError
    └── InputError (ValueError)     a file or an option that cannot be used; exit code 2
        ├── CaptureError            a capture file: line, column
        ├── BoardError              a board file: key, value, nearest known key
        ├── HookupError             line names, pin names, the hookup file
        └── ImageError              a ROM image

Mistakes of a programmer (a wrong dtype, an impossible argument) stay plain `TypeError` and
`ValueError`, outside this tree.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path


class BustraceError(Exception):
    """Root of everything bustrace raises for the user to read."""


class InputError(BustraceError, ValueError):
    """Input that cannot be used, with its place as data.

    Parameters
    ----------
    what : str
        One sentence: what is wrong.
    path : path or None
        The file.
    line, column : int or None
        Place in the file, counted from 1. `column` is a character or cell column.
    key : str or None
        Dotted key in a TOML file, or the option's name.
    found : str or None
        The offending text, as it stands in the input.
    expected : str or None
        What would have been accepted.
    advice : str or None
        What to do now.
    """

    def __init__(
        self,
        what: str,
        *,
        path: str | Path | None = None,
        line: int | None = None,
        column: int | None = None,
        key: str | None = None,
        found: str | None = None,
        expected: str | None = None,
        advice: str | None = None,
    ) -> None:
        self.what = what
        self.path = None if path is None else str(path)
        self.line = line
        self.column = column
        self.key = key
        self.found = found
        self.expected = expected
        self.advice = advice
        super().__init__(self.message)

    def __str__(self) -> str:
        return self.message

    @property
    def message(self) -> str:
        """The whole message: place, what, found, expected, advice."""
        place = []
        if self.path is not None:
            place.append(self.path)
        if self.line is not None:
            place.append(f"line {self.line}")
        if self.column is not None:
            place.append(f"column {self.column}")
        if self.key is not None:
            place.append(self.key)
        text = (", ".join(place) + ": " if place else "") + self.what
        if self.found is not None:
            text += f"\n  found:    {_shorten(self.found)}"
        if self.expected is not None:
            text += f"\n  expected: {self.expected}"
        if self.advice is not None:
            text += f"\n  to do:    {self.advice}"
        return text


class CaptureError(InputError):
    """A capture file that cannot be read."""


class BoardError(InputError):
    """A board file that cannot be used."""


class HookupError(InputError):
    """A line or pin name that fits nothing, or a hookup file that cannot be used."""


class ImageError(InputError):
    """A ROM image that cannot be used."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Known word closest to `word`, ignoring case, or None when nothing is close.

    Close is a slip of the hand, one letter in three: a far guess sends people the wrong way.
    """
    by_fold = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.65)
    return by_fold[close[0]] if close else None


def _shorten(text: str, limit: int = 120) -> str:
    shown = text if len(text) <= limit else text[: limit - 3] + "..."
    return shown.encode("unicode_escape").decode("ascii") if not shown.isprintable() else shown
