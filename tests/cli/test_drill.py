"""`bustrace drill`: hand out, check, explain."""

import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from bustrace import load_board, open_capture, read_boot
from bustrace.cycles.model import IN_RESET

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "drill.md"


@pytest.fixture
def monday(run):
    result = run("drill", "new", "monday", "--seed", "2")
    assert result.exit_code == 0, result.output
    return result


@pytest.fixture
def solution(run, monday):
    """What was wrong, from a check of a wrong answer."""
    told = run("drill", "check", "monday", "swapped:X1+X2")
    assert told.exit_code == 1
    return re.search(r"\((\S+:\S+)\)", told.stdout)[1]


@pytest.mark.slow
def test_a_drill_from_the_folder_to_the_solution(run, monday, solution, tmp_path):
    assert "One thing is wrong" in monday.stdout
    assert "bustrace drill check monday FAULT" in monday.stdout
    assert solution not in monday.stdout
    right = run("drill", "check", "monday", solution, "--picture", "where.png")
    assert right.exit_code == 0
    assert right.stdout.startswith("RIGHT: ")
    assert re.search(r"First in cycle [\d,]+, where the CPU (reads|writes) \$", right.stdout)
    assert max(map(len, right.stdout.splitlines())) <= 80
    assert (tmp_path / "where.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_a_wrong_answer_is_told_so(run, monday):
    result = run("drill", "check", "monday", "swapped:X1+X2")
    assert result.exit_code == 1
    assert result.stdout.startswith("NOT FOUND: ")
    assert "NOT ON THIS BOARD: " in result.stdout


@pytest.mark.slow
def test_the_cycle_told_is_where_the_line_is_seen(run):
    """The listing shows RES, low, in the cycle that the check names."""
    run("drill", "new", "monday", "--seed", "5")
    told = run("drill", "check", "monday", "reset:repeats").stdout
    assert "RIGHT: reset comes again and again" in told
    cycle = int(re.search(r"First in cycle (\d+)", told)[1])
    reading = read_boot(open_capture("monday/boot.vcd"), load_board("monday/board.toml"))
    in_reset = np.flatnonzero(reading.cycles.flags & IN_RESET)
    low = in_reset[in_reset > 100]
    assert low[0] - cycle in (0, 1)


def test_an_answer_that_is_no_fault_says_how_faults_are_written(run, monday):
    result = run("drill", "check", "monday", "the ROM")
    assert result.exit_code == 2
    assert "family:what" in result.stderr


def test_folders_that_cannot_be(run, monday):
    again = run("drill", "new", "monday")
    assert again.exit_code == 2
    assert "monday: there is such a folder already" in again.stderr
    none = run("drill", "check", "tuesday", "silent:U4")
    assert none.exit_code == 2
    assert "tuesday" in none.stderr
    assert "bustrace drill new" in none.stderr


def test_a_board_without_images_cannot_be_simulated(run, tmp_path):
    (tmp_path / "b.toml").write_text(
        'format = 1\nname = "x"\n[cpu]\npart = "6502"\n[[chips]]\nref = "U5"\nrole = "rom"\n'
        'range = "$E000-$FFFF"\n[[chips]]\nref = "U4"\nrole = "ram"\nrange = "$0000-$07FF"\n'
    )
    result = run("drill", "new", "mine", "--board", "b.toml")
    assert result.exit_code == 2
    assert "image" in result.stderr
    assert not (tmp_path / "mine").exists()


def test_an_answer_is_needed(run, monday):
    """Without one nothing is given away."""
    result = run("drill", "check", "monday")
    assert result.exit_code == 2
    assert "ANSWER" in result.stderr


@pytest.mark.slow
def test_the_session_in_the_guide_gives_what_it_shows(run):
    (session,) = re.findall(r"^```console\n(.*?)^```", GUIDE.read_text("utf-8"), re.M | re.S)
    for part in re.split(r"^\$ bustrace ", session, flags=re.M)[1:]:
        command, shown = part.split("\n", 1)
        assert run(*shlex.split(command)).stdout.strip() == shown.strip()
