"""The board on which the shared captures were taken, as a fixture."""

import shutil
from pathlib import Path

import pytest

from bustrace.board import Board, load_board

BOARDS = Path(__file__).resolve().parent / "boards"


@pytest.fixture(scope="session")
def exerciser_board_file(captures_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The board file beside its ROM image, since images outside the file's folder are refused."""
    folder = tmp_path_factory.mktemp("exerciser")
    shutil.copyfile(BOARDS / "exerciser.toml", folder / "exerciser.toml")
    shutil.copyfile(captures_dir / "exerciser_rom.bin", folder / "exerciser_rom.bin")
    return folder / "exerciser.toml"


@pytest.fixture(scope="session")
def exerciser_board(exerciser_board_file: Path) -> Board:
    """The board of the shared captures."""
    return load_board(exerciser_board_file)
