"""The reference of the file format says what the loader does."""

import re
import shlex
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from bustrace.board import Board, map_rows
from bustrace.board.schema import TABLES
from bustrace.cli import cli

REFERENCE = Path(__file__).resolve().parents[2] / "docs" / "board-file.md"
TEXT = REFERENCE.read_text(encoding="utf-8")
WHOLE_FILES = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
FRAGMENTS = re.findall(r"```text\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("place", TABLES)
def test_every_key_is_explained(place: tuple[str, ...]) -> None:
    for name, field in TABLES[place].model_fields.items():
        key = field.alias or name
        assert f"`{key}`" in TEXT or f"`[[{key}]]`" in TEXT, f"{place}: {key}"


def test_whole_files_of_the_reference_load(
    write_board: Callable[..., Board], tmp_path: Path
) -> None:
    assert len(WHOLE_FILES) == 2
    for text in WHOLE_FILES:
        names = re.findall(r'"([\w.]+\.bin)"', text)
        images = {name: bytes(0x2000) for name in names}
        board = write_board(text.replace("format = 1\n", "", 1), images)
        assert {"U4", "U6"} <= set(board.map.chips)
        assert map_rows(board)[-1].readers == ("U4",)


@pytest.mark.slow
def test_the_drafting_session_gives_what_it_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    (session,) = re.findall(r"```console\n(.*?)```", TEXT, re.DOTALL)
    command, _, shown = session.partition("\n")
    monkeypatch.chdir(REFERENCE.parents[1])
    result = CliRunner().invoke(cli, shlex.split(command)[2:])
    pieces = [piece.strip("\n") for piece in shown.split("[...]") if piece.strip()]
    assert pieces
    for piece in pieces:
        assert piece in result.stdout


def test_fragments_of_the_reference_are_toml() -> None:
    assert len(FRAGMENTS) >= 6
    for text in FRAGMENTS:
        assert tomllib.loads(text)


def test_the_files_of_the_reference_fit_on_one_screen() -> None:
    for text in WHOLE_FILES:
        assert len(text.splitlines()) <= 56
