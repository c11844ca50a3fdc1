"""Boards that a campaign runs on, carried as their files' contents, so that any worker has them."""

from __future__ import annotations

import hashlib
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from bustrace.board import Board, load_board
from bustrace.drill import make_board, make_io_board, plantable
from bustrace.faults import Fault

_LARGEST = 1 << 20
"""Bytes of the largest file that is taken along."""


@dataclass(frozen=True, slots=True)
class BoardFiles:
    """A board file and the files that it names.

    Attributes
    ----------
    name : str
        For tables: the folder's name.
    files : tuple of (str, bytes)
        Relative names and contents, the board file first as ``board.toml``.
    """

    name: str
    files: tuple[tuple[str, bytes], ...]

    def write(self, folder: Path) -> Path:
        """Write them below a folder; the path of the board file."""
        for name, content in self.files:
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        return folder / self.files[0][0]

    @property
    def digest(self) -> str:
        """SHA-256 of names and contents, in hex."""
        summed = hashlib.sha256()
        for name, content in self.files:
            summed.update(f"{name}\n{len(content)}\n".encode() + content)
        return summed.hexdigest()


def board_files(path: str | Path) -> BoardFiles:
    """A board file with the images and tables that it names.

    Raises
    ------
    BoardError
        The board file cannot be used.
    """
    path = Path(path)
    load_board(path)  # names every trouble; below all is well
    text = path.read_bytes()
    files = [("board.toml", text)]
    home = path.parent.resolve()
    for name in dict.fromkeys(_texts(tomllib.loads(text.decode("utf-8")))):
        beside = (home / name).resolve() if name and "\0" not in name else home
        ours = beside.is_relative_to(home) and beside != path.resolve() and beside.is_file()
        if ours and beside.stat().st_size <= _LARGEST:
            files.append((name, beside.read_bytes()))
    return BoardFiles(path.resolve().parent.name, tuple(files))


def made_up_board(seed: int) -> BoardFiles:
    """A board that nobody built, the same for the same seed."""
    made = make_board(np.random.default_rng((seed, 7)))
    text = made.toml.encode("utf-8")
    return BoardFiles(f"made-up {seed}", (("board.toml", text), ("rom.bin", made.rom)))


def made_up_io_board(seed: int) -> BoardFiles:
    """Another one, whose firmware cannot do without its I/O chips."""
    made = make_io_board(np.random.default_rng((seed, 9)))
    text = made.toml.encode("utf-8")
    return BoardFiles(f"made-up io {seed}", (("board.toml", text), ("rom.bin", made.rom)))


@lru_cache(maxsize=64)
def loaded(files: BoardFiles) -> Board:
    """The board; loaded once in each process."""
    with tempfile.TemporaryDirectory() as folder:
        board = load_board(files.write(Path(folder)))
    return replace(board, source="board.toml")


@lru_cache(maxsize=64)
def faults_of(files: BoardFiles) -> tuple[Fault, ...]:
    """What can be planted on the board; listed once in each process."""
    return plantable(loaded(files))


def without_images(board: Board) -> Board:
    """The board as one knows it who has no dump of its ROMs."""
    return replace(board, chips=tuple(replace(chip, images=()) for chip in board.chips))


def _texts(value: Any) -> Iterator[str]:
    """Every text in a TOML document."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)
