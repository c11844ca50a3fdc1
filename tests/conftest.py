"""Shared fixtures: where outside data lies, and what happens when it is absent."""

import os
from pathlib import Path

import pytest

pytest_plugins = ["board_fixtures"]

REPOSITORY = Path(__file__).resolve().parent.parent


def _folder(variable: str, default: str) -> Path:
    """Folder of outside data; skips the test (or fails it, in CI) when it is absent."""
    folder = Path(os.environ.get(variable, REPOSITORY.parent / "shared" / default))
    if not folder.is_dir():
        reason = f"{folder} is absent; set {variable} to a folder with the data"
        if os.environ.get("BUSTRACE_REQUIRE_DATA"):
            pytest.fail(reason)
        pytest.skip(reason)
    return folder


@pytest.fixture(scope="session")
def reference_dir() -> Path:
    """Folder of the per-cycle reference data and chip traces."""
    return _folder("BUSTRACE_REFERENCE_DIR", "reference")


@pytest.fixture(scope="session")
def captures_dir() -> Path:
    """Folder of sample-level exports with their truth."""
    return _folder("BUSTRACE_CAPTURES_DIR", "captures")
