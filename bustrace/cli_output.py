"""How commands print, draw and write, and what they say beside the result."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

import click

from bustrace.errors import InputError

if TYPE_CHECKING:
    from bustrace.capture import Capture
    from bustrace.cycles import Cycles
    from bustrace.hookup import Hookup
    from bustrace.program import Program
    from bustrace.reading import Reading
    from bustrace.report import Paper


def tell_of_compiling() -> None:
    """Have it said once, on stderr, that kernels are being compiled, if this run must."""
    from numba.core import event

    class FirstTime(event.Listener):
        told = False

        def on_start(self, event: Any) -> None:
            if not self.told:
                self.told = True
                click.echo("Compiling the fast parts, once: this takes some seconds.", err=True)

        def on_end(self, event: Any) -> None:
            """Nothing is left to say."""

    click.get_current_context().with_resource(event.install_listener("numba:compile", FirstTime()))


def pictures_room() -> Any:
    """The room of pictures, loaded where one is wanted."""
    # Without a folder for its settings the library warns and takes one of its own: all is well.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    from bustrace import draw

    return draw


def draw_picture(reading: Reading, path: str, kind: str = "timeline", **how: Any) -> None:
    """Draw one kind of picture into a file, and say where it is."""
    pictures = pictures_room()
    figure = getattr(pictures, "draw_" + kind.replace("-", "_"))(reading, **how)
    click.echo(f"Picture: {pictures.save_picture(figure, path)}", err=True)


def say_doubts(*parts: Capture | Hookup | Cycles | Program) -> None:
    """Doubts and questions on stderr, for results that have no place for them."""
    for note in (note for part in parts for note in part.notes if note.kind == "doubt"):
        click.echo(f"Doubt: {note.text}", err=True)
    for question in (text for part in parts for text in getattr(part, "questions", ())):
        click.echo(f"Question: {question}", err=True)


def say_doubts_of(reading: Reading) -> None:
    """Those of everything that was made of a capture."""
    say_doubts(reading.capture, reading.hookup, reading.cycles, reading.program)


def print_result(result: Paper | Iterable[str]) -> None:
    """Write the result; a reader that has seen enough, as `head` has, is no error."""
    from bustrace.report import Paper, show

    try:
        if isinstance(result, Paper):
            show(result, sys.stdout)
        else:
            sys.stdout.writelines(result)
        sys.stdout.flush()
    except BrokenPipeError:
        let_go_of(sys.stdout)


def let_go_of(stream: TextIO) -> None:
    """Nobody reads any more; what is still buffered would be tried again when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


@contextmanager
def writing(path: str) -> Iterator[None]:
    """What cannot be written is the user's to mend."""
    try:
        yield
    except OSError as error:
        raise InputError(f"it cannot be written: {error.strerror}", path=path) from error
    except ValueError as error:
        raise InputError(str(error), path=path, key="--output") from error
