"""Running commands in this process, from a folder of their own."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from bustrace.cli import cli

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture
def run(tmp_path, monkeypatch):
    """A function: arguments to the result of the command, run in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def invoke(*words):
        return CliRunner().invoke(cli, [str(word) for word in words], prog_name="bustrace")

    return invoke


@pytest.fixture
def board():
    """The demo board's file."""
    return FIXTURES / "tide_gauge" / "board.toml"


@pytest.fixture
def capture():
    """A function: fixture's name without its prefix, to its capture."""

    def find(name):
        return next((FIXTURES / f"tide_gauge_{name}").glob("capture.*"))

    return find
