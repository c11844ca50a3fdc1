"""Small turns of phrase that several texts share."""

from __future__ import annotations

import shlex

from bustrace.capture.model import Note
from bustrace.report.layout import Cell, Paper


def sentence(text: str) -> str:
    """The text with a capital letter and a full stop."""
    ended = text if text.endswith((".", "?", "!")) else text + "."
    return ended[:1].upper() + ended[1:]


def how_to_override(option: str | None) -> str:
    """What to type or write where a guess is wrong, with a space before it; else nothing."""
    if not option:
        return ""
    if not option.startswith("--"):
        return f" To change it: the key '{option}' in the board file."
    name, _, value = option.partition(" ")
    return f" To change it: {name} {shlex.quote(value) if value else '...'}"


def say_note(paper: Paper, note: Note) -> None:
    """One doubt, guess or fact."""
    cell = Cell(note.kind, 7, "doubt" if note.kind == "doubt" else "quiet")
    paper.say(sentence(note.text) + how_to_override(note.option), cells=[cell])
