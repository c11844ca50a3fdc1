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


# As a programmer's adapter would read the reference's array: /ROM on D0, /RAM on D1.
ARRAY = bytes(
    0xFC | (index & 0b1111 != 0b1111) | (index & 0b111 != 0b000) << 1 for index in range(16)
)


@pytest.mark.parametrize("text", WHOLE_FILES, ids=range(len(WHOLE_FILES)))
def test_whole_files_of_the_reference_load(
    write_board: Callable[..., Board], tmp_path: Path, text: str
) -> None:
    """In each of them U6 is RAM at the bottom and U4 the ROM with the vectors."""
    size = 0x4000 if '"27128"' in text else 0x2000
    names = re.findall(r'"([\w.]+\.bin)"', text)
    images = {name: ARRAY if name == "array.bin" else bytes(size) for name in names}
    board = write_board(text.replace("format = 1\n", "", 1), images)
    rows = map_rows(board)
    assert (rows[0].first, rows[0].readers, rows[0].writers) == (0, ("U6",), ("U6",))
    assert rows[-1].readers == ("U4",)
    assert not any(table.doubled().any() for table in board.maps)


def test_there_is_a_whole_file_for_every_kind_of_decoding() -> None:
    text = "".join(WHOLE_FILES)
    for key in ("74LS138", "74LS139", "equations", "truth_table", "[[state]]", "buffers", "range"):
        assert key in text
    for key in ("write = ", "access = ", "bank_lines", "when = ", "direction"):
        assert key in text


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
    assert len(FRAGMENTS) >= 5
    for text in FRAGMENTS:
        assert tomllib.loads(text)


def test_the_files_of_the_reference_fit_on_one_screen() -> None:
    for text in WHOLE_FILES:
        assert len(text.splitlines()) <= 56
