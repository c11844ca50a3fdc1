from pathlib import Path

import pytest

from bustrace.board import Board, load_board

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="session")
def tide_gauge() -> Board:
    """The demo board."""
    return load_board(FIXTURES / "tide_gauge" / "board.toml")
