"""Laying text out in lines of at most 80 columns, with marks that a terminal may colour."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal, TextIO

WIDTH = 80

Mark = Literal["", "head", "strong", "good", "bad", "doubt", "quiet"]

_STYLES: dict[Mark, str] = {
    "": "",
    "head": "bold underline",
    "strong": "bold",
    "good": "green",
    "bad": "bold red",
    "doubt": "yellow",
    "quiet": "dim",
}
_LEAST_ROOM = 16


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of a line; the mark is for the eye only, the words say the same."""

    text: str
    mark: Mark = ""


@dataclass(frozen=True, slots=True)
class Cell:
    """A word of fixed width at the start of a paragraph."""

    text: str
    width: int
    mark: Mark = ""


@dataclass(slots=True)
class Paper:
    """Lines, written from the top.

    Attributes
    ----------
    lines : list of tuple of Span
    width : int
        Columns that no wrapped line exceeds.
    """

    lines: list[tuple[Span, ...]] = field(default_factory=list)
    width: int = WIDTH

    def blank(self) -> None:
        """Leave one line empty; two never follow each other."""
        if self.lines and self.lines[-1]:
            self.lines.append(())

    def heading(self, text: str) -> None:
        """Begin a part."""
        self.blank()
        self.lines.append((Span(clean(text), "head"),))

    def say(
        self,
        text: str,
        *,
        indent: int = 2,
        cells: Sequence[Cell] = (),
        lead: str = "",
        mark: Mark = "",
    ) -> None:
        """Write a paragraph that wraps beside the cells and the lead before it.

        Parameters
        ----------
        indent : int
            Columns left free.
        cells : sequence of Cell
            Stand before the text in its first line. Where one is too long for its width, all
            take a line of their own.
        lead : str
            Such as ``- `` or ``1. ``; later lines begin after it.
        mark : Mark
            For the text and its lead.
        """
        begin = indent + sum(cell.width for cell in cells)
        words = [clean(cell.text) for cell in cells]
        before = [Span(" " * indent)]
        if any(len(word) >= cell.width for word, cell in zip(words, cells, strict=True)):
            self.say(" ".join(words), indent=indent, mark=cells[0].mark)
            before = [Span(" " * begin)]
        else:
            for word, cell in zip(words, cells, strict=True):
                before += [Span(word, cell.mark), Span(" " * (cell.width - len(word)))]
        room = max(self.width - begin - len(lead), _LEAST_ROOM)
        pieces = textwrap.wrap(clean(text), room, break_on_hyphens=False) or [""]
        self.lines.append((*before, Span(lead, mark), Span(pieces[0], mark)))
        for piece in pieces[1:]:
            self.lines.append((Span(" " * (begin + len(lead))), Span(piece, mark)))

    def rows(self, lines: Iterable[str], *, mark: Mark = "") -> None:
        """Write lines as they stand."""
        self.lines += [(Span(clean(line), mark),) if line else () for line in lines]

    def plain(self) -> str:
        """All lines without marks, each with its line end."""
        return "".join("".join(span.text for span in line).rstrip() + "\n" for line in self.lines)


def clean(text: str) -> str:
    """Text without control characters: names come from files, and would steer the terminal."""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text.replace("\n", " ")
    )


def wants_colour(stream: TextIO) -> bool:
    """Whether to colour: a terminal that can, and no NO_COLOR in the environment."""
    return (
        stream.isatty()
        and not os.environ.get("NO_COLOR")
        and os.environ.get("TERM", "").casefold() not in ("dumb", "unknown")
    )


def show(paper: Paper, stream: TextIO) -> None:
    """Write the lines to a stream, coloured where `wants_colour` says so."""
    if not wants_colour(stream):
        stream.write(paper.plain())
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    for line in paper.lines:
        text = Text()
        for span in line:
            text.append(span.text, style=_STYLES[span.mark])
        text.rstrip()
        console.print(text, soft_wrap=True)
