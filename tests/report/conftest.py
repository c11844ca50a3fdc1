"""Verdicts on the fixtures, made once."""

import json
from functools import cache
from pathlib import Path

import pytest

import bustrace

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
NAMES = sorted(path.parent.name for path in FIXTURES.glob("*/expected.json"))


@cache
def judged(name, hooked=True):
    """Diagnosis and reading of a fixture."""
    folder = FIXTURES / name
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    capture = next(p for p in folder.iterdir() if p.name.startswith("capture."))
    board = bustrace.load_board(folder / expected["board"])
    hookup = expected.get("hookup") if hooked else None
    reading = bustrace.read_boot(bustrace.open_capture(capture), board, hookup)
    return bustrace.diagnose(reading), reading


@pytest.fixture(scope="session")
def verdict_on():
    """A function: fixture's name to its diagnosis and reading."""
    return judged


@pytest.fixture(params=NAMES)
def fixture_name(request):
    """Each fixture in turn."""
    return request.param
