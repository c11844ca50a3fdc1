"""docs/pictures.md and `bustrace draw --kind` say the same."""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

import bustrace.draw as pictures
from bustrace.cli import cli

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "pictures.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^    bustrace (draw fixtures/.*)$", TEXT, re.MULTILINE)
KINDS = next(p for p in cli.commands["draw"].params if p.name == "kind").type.choices


def run(*words):
    """The command's result; whatever it raises is an error of the test."""
    return CliRunner().invoke(cli, words, catch_exceptions=False)


def test_every_kind_has_a_section_and_a_function():
    """No picture without words, no words without a picture."""
    assert re.findall(r"^## (\S+)$", TEXT, re.MULTILINE) == list(KINDS)
    drawn = {name for name in pictures.__all__ if name.startswith("draw_")}
    drawn.remove("draw_side_by_side")  # of two captures: `bustrace compare` draws it
    assert drawn == {"draw_" + kind.replace("-", "_") for kind in KINDS}


def test_every_image_shown_is_there():
    """A page without its pictures teaches nothing."""
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", TEXT)
    assert len(shown) == len(KINDS)  # all but the timeline, and the one of two boots
    for path in shown:
        assert (ROOT / "docs" / path).stat().st_size > 1000


@pytest.mark.slow
@pytest.mark.parametrize("line", EXAMPLES, ids=[str(at) for at in range(len(EXAMPLES))])
def test_the_examples_draw(line, tmp_path, monkeypatch):
    """Each command writes its picture, and ends with 0."""
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    result = run(*shlex.split(line))
    assert result.exit_code == 0, result.output
    name = shlex.split(line)[-1]
    assert (tmp_path / name).stat().st_size > 1000
    assert f"Picture: {name}" in result.stderr


def test_an_option_of_another_kind_is_refused():
    """It would be ignored without a word otherwise."""
    for kind, option in (("reset", "--around"), ("boot", "--chip"), ("timeline", "--chip")):
        result = run("draw", "x.vcd", "-o", "x.png", "--kind", kind, option, "3")
        assert result.exit_code == 2
        assert f"{option} does not go with --kind {kind}." in result.stderr


@pytest.mark.slow
def test_what_a_capture_cannot_show_still_makes_a_picture(tmp_path):
    """No interrupt was captured: the picture says so, and the command ends with 0."""
    capture = ROOT / "fixtures" / "tide_gauge_clock_stops" / "capture.csv"
    path = tmp_path / "irq.svg"
    result = run("draw", str(capture), "-o", str(path), "--kind", "interrupt", "--width", "7")
    assert result.exit_code == 0
    assert path.stat().st_size > 1000


@pytest.mark.slow
def test_around_and_chip_reach_their_pictures(tmp_path):
    """An unknown chip is told with those that there are; a cycle too far makes a picture."""
    folder = ROOT / "fixtures"
    capture = str(folder / "tide_gauge_rom_plane" / "capture.csv")
    board = ("--board", str(folder / "tide_gauge" / "board.toml"))
    common = ("draw", capture, *board, "-o", str(tmp_path / "p.png"))
    result = run(*common, "--kind", "bit-errors", "--chip", "U55")
    assert result.exit_code == 2
    assert "U5" in result.stderr
    assert run(*common, "--kind", "instruction", "--around", "40").exit_code == 0
