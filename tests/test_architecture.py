"""The house holds: imports only point up its floors, and the public names are what they say."""

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import bustrace

PACKAGE = Path(bustrace.__file__).parent

FLOORS = {
    "errors": 0,
    "compiled": 0,
    "units": 0,
    "faults": 0,
    "capture": 1,
    "cpu": 1,
    "board": 2,
    "hookup": 3,
    "drill": 3,
    "cycles": 4,
    "program": 5,
    "reading": 6,
    "findings": 7,
    "compare": 7,
    "identify": 7,
    "diagnosis": 8,
    "campaign": 9,
    "draw": 9,
    "report": 10,
    "cli_options": 10,
    "cli_output": 11,
    "cli_listing": 11,
    "cli_compare": 12,
    "cli_drill": 12,
    "cli": 13,
    "__main__": 14,
}


def imports_of(path):
    """Rooms of bustrace that a file imports."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports relatively"
            names = [node.module or ""]
            if node.module == "bustrace":
                names = [f"bustrace.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "bustrace" and len(parts) > 1:
                yield parts[1], node.lineno


def room_of(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


SOURCES = sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_up_never_sideways(path):
    """A room imports itself and rooms of floors above it only."""
    room = room_of(path)
    assert room in FLOORS, f"{room} has no floor"
    for other, line in imports_of(path):
        assert other == room or FLOORS[other] < FLOORS[room], (
            f"{path}:{line} imports {other} (floor {FLOORS[other]}) from floor {FLOORS[room]}"
        )


def test_planting_and_judging_faults_never_meet():
    """The simulated boards and the diagnosis share the fault vocabulary, and no judgement."""
    for path in SOURCES:
        if room_of(path) == "drill":
            assert not {o for o, _ in imports_of(path)} & {"findings", "diagnosis", "program"}
        if room_of(path) in ("findings", "diagnosis"):
            assert "drill" not in {other for other, _ in imports_of(path)}


def test_neither_planting_nor_judging_needs_the_other_by_way_of_a_third():
    """What a room imports, and what that imports: drill never leads to diagnosis, nor back."""
    direct: dict[str, set[str]] = {}
    for path in SOURCES:
        direct.setdefault(room_of(path), set()).update(other for other, _ in imports_of(path))

    def needed(room):
        found, waiting = set(), [room]
        while waiting:
            new = direct.get(waiting.pop(), set()) - found
            found |= new
            waiting += new
        return found

    assert "diagnosis" not in needed("drill")
    assert "drill" not in needed("diagnosis")
    assert {"drill", "diagnosis"} <= needed("campaign")


def test_only_draw_imports_matplotlib():
    """Pictures are made in one room."""
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            else:
                continue
            if any(name.split(".")[0] == "matplotlib" for name in names):
                assert room_of(path) == "draw", f"{path}:{node.lineno}"


def test_public_names_are_listed_sorted_and_exist():
    """`__all__` is sorted, and every name in it can be had."""
    assert bustrace.__all__ == sorted(bustrace.__all__)
    for name in bustrace.__all__:
        assert getattr(bustrace, name).__doc__, f"{name} has no docstring"
    assert {
        "open_capture",
        "load_board",
        "read_boot",
        "find_all",
        "diagnose",
        "draw_timeline",
        "Fault",
    } <= set(bustrace.__all__)


def test_unknown_public_name_is_an_attribute_error():
    """A misspelt name fails as on any module."""
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = bustrace.no_such_name


def test_rooms_list_their_names_sorted():
    """Every room says what it hands out, in sorted order as ruff has it."""
    for path in sorted(PACKAGE.glob("*/__init__.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        lists = [
            node.value
            for node in tree.body
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__"
        ]
        assert len(lists) == 1, f"{path} has no __all__"


def test_importing_the_package_is_light():
    """`import bustrace` alone loads neither numba nor matplotlib."""
    code = (
        "import sys, bustrace; print(sorted({'numba', 'matplotlib', 'numpy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_wheel_holds_every_room_and_the_fixtures():
    """The list of packages in pyproject.toml keeps step with the rooms."""
    text = (PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8")
    listed = set(tomllib.loads(text)["tool"]["setuptools"]["packages"])
    rooms = {f"bustrace.{path.parent.name}" for path in PACKAGE.glob("*/__init__.py")}
    assert listed == rooms | {"bustrace", "bustrace.fixtures"}
