"""`bustrace board`: the map of a file, and the draft of one."""

import shutil

import pytest

from bustrace import load_board


@pytest.mark.slow
def test_a_draft_is_written_loaded_and_found_healthy(run, board, capture, tmp_path):
    shutil.copy(board.parent / "tide_gauge.bin", "rom.bin")
    result = run("board", "draft", capture("healthy"), "--rom", "rom.bin", "-o", "new.toml")
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert "Written: new.toml, 4 chips" in result.stderr
    assert 'file = "rom.bin"' in (tmp_path / "new.toml").read_text(encoding="utf-8")
    judged = run("diagnose", capture("healthy"), "--board", "new.toml")
    assert judged.exit_code == 0
    assert judged.stdout.startswith("NO FAULT SEEN")
    shown = run("board", "new.toml")
    assert "$E000-$FFFF  ROM" in shown.stdout
    assert run("board", "show", "new.toml").stdout == shown.stdout


def test_a_draft_goes_to_stdout(run, board, capture, tmp_path):
    """Where the image is elsewhere, it says so, and how the capture was judged."""
    result = run("board", "draft", capture("clock_stops"), "--rom", board.parent / "tide_gauge.bin")
    assert result.exit_code == 0, result.output
    assert "the clock stops" in " ".join(result.stdout.replace("#", " ").split())
    assert '# file = "tide_gauge.bin"' in result.stdout
    (tmp_path / "a.toml").write_text(result.stdout, encoding="utf-8")
    assert load_board(tmp_path / "a.toml").chip("ROM").base == 0xE000


def test_a_board_file_is_never_written_over(run, capture, tmp_path):
    """It may hold a day's work."""
    (tmp_path / "mine.toml").write_text("format = 1\n", encoding="utf-8")
    result = run("board", "draft", capture("clock_stops"), "-o", "mine.toml")
    assert result.exit_code == 2
    assert "mine.toml" in result.stderr
    assert (tmp_path / "mine.toml").read_text(encoding="utf-8") == "format = 1\n"


def test_a_capture_that_shows_nothing_is_told_why(run, capture, tmp_path):
    """No named line, no clock: exit code 3, nothing written."""
    result = run("board", "draft", capture("healthy_channels"), "-o", "x.toml")
    assert result.exit_code == 3
    assert "Nothing to draft: no clock line was captured" in result.stderr
    assert "What are CH0 to CH28 clipped to?" in result.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--rom", "no.bin"], ["no.bin", "no such file"]),
        (["--rom", "rom.bin@E000"], ["rom.bin@E000", "leave the address out"]),
        (["--rom", "empty.bin"], ["empty.bin", "empty"]),
        (["-o", "no/x.toml"], ["no/x.toml", "cannot be written"]),
        (["--board", "x.toml"], ["--board"]),
    ],
)
def test_what_cannot_be_drafted(run, capture, tmp_path, words, said):
    (tmp_path / "empty.bin").touch()
    result = run("board", "draft", capture("clock_stops"), *words)
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert not [word for word in said if word not in result.stderr], result.stderr


def test_help_shows_both(run):
    """A group with a command that needs no name."""
    shown = run("board", "--help").stdout
    assert "draft" in shown
    assert "show" in shown
    assert run("board", "draft").exit_code == 2
