"""A folder in which a test writes a board file and its images."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bustrace.board import Board, load_board

WriteBoard = Callable[..., Board]


@pytest.fixture
def write_board(tmp_path: Path) -> WriteBoard:
    """Writes ``board.toml`` and images (name to bytes) and loads it."""

    def write(text: str, images: dict[str, bytes] | None = None, **options: Any) -> Board:
        for name, content in (images or {}).items():
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).write_bytes(content)
        (tmp_path / "board.toml").write_text("format = 1\n" + text, encoding="utf-8")
        return load_board(tmp_path / "board.toml", **options)

    return write
