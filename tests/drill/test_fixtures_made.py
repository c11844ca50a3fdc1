"""The captures in fixtures/ are what their recipes say, and stay reproducible."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

from bustrace.capture import open_capture
from bustrace.faults import Fault, fault_ids

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def recipes():
    spec = importlib.util.spec_from_file_location("make_fixtures", FIXTURES / "make_fixtures.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


MADE = recipes()
FOLDERS = sorted(path.parent for path in FIXTURES.glob("*/expected.json"))


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["tide_gauge_clock_stops", "tide_gauge_ram_silent", "tide_gauge_rom_select_missing"]
)
def test_making_a_fixture_again_gives_the_same_bytes(tmp_path, name):
    recipe = next(recipe for recipe in MADE.RECIPES if recipe.name == name)
    MADE.make(recipe, tmp_path)
    made = sorted((tmp_path / name).iterdir())
    assert [path.name for path in made] == sorted(p.name for p in (FIXTURES / name).iterdir())
    for path in made:
        assert path.read_bytes() == (FIXTURES / name / path.name).read_bytes(), path.name


def test_every_recipe_has_its_folder_and_no_folder_is_left_over():
    simulated = {folder.name for folder in FOLDERS if "Simulated" in _origin(folder)}
    assert simulated == {recipe.name for recipe in MADE.RECIPES}


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_fixture_is_complete_and_small(folder):
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    assert set(expected) <= {
        "verdict",
        "faults",
        "board",
        "note",
        "also_true",
        "alike",
        "hookup",
        "without",
    }
    assert expected["faults"] == fault_ids(Fault.parse(text) for text in expected["faults"])
    for text in expected.get("alike", ()):
        Fault.parse(text)
    assert (folder / expected["board"]).is_file()
    captures = list(folder.glob("capture.*"))
    assert len(captures) == 1
    assert captures[0].stat().st_size < 650_000
    assert len(_origin(folder)) > 100


@pytest.mark.slow
@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_fixture_opens(folder):
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    capture = open_capture(next(folder.glob("capture.*")))
    rate = next(recipe.rate for recipe in MADE.RECIPES if recipe.name == folder.name)
    assert capture.rate in (None, rate)
    assert set(expected.get("hookup", ())) <= set(capture.lines)


@pytest.mark.slow
def test_recipe_script_names_an_unknown_recipe():
    result = subprocess.run(
        [sys.executable, str(FIXTURES / "make_fixtures.py"), "nonsense"],
        capture_output=True,
        text=True,
        check=False,
        cwd=FIXTURES.parent,
    )
    assert result.returncode != 0
    assert "no recipe 'nonsense'" in result.stderr


def _origin(folder):
    return (folder / "ORIGIN.md").read_text(encoding="utf-8")
