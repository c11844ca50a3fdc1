"""Two captures of one board in the same condition: what differs, and what may."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from drill_readings import boot, only, redrawn, reread, rules, run, tide_gauge
from drill_readings import read as read_record

from bustrace.board import unknown_board
from bustrace.capture import write_csv
from bustrace.cli import cli
from bustrace.diagnosis import diagnose
from bustrace.findings.again import differences
from bustrace.reading import read_boot


def told(found):
    return rules(found, "fault", "oddity")


@pytest.mark.slow
def test_two_healthy_boots_do_not_differ():
    """RAM at power-on, inputs, the moments of interrupts, start and phase differ, and may."""
    first = boot(cycles=7000, seed=5)
    second = read_record(run(cycles=6500, seed=11), seed=12, rate=16_000_000, start_cycle=3)
    found = differences(first, second)
    assert told(found) == set()
    share = only(found, "captures-compared")
    assert share.count > 0.8 * share.opportunities
    assert diagnose(first, second).exit_code == diagnose(first).exit_code


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_noise_and_another_start_are_no_difference(seed):
    first = boot(cycles=4000, seed=seed, noise=1e-5)
    second = read_record(run(cycles=4000, seed=seed + 50), seed=seed + 50, noise=1e-5)
    assert told(differences(first, second)) == set()


def test_a_clip_that_slips_in_one_of_them_is_an_oddity():
    """D3 low for a while at the probe only: the program takes the same way."""
    first = boot(cycles=2000)
    second = reread(first, "D3", 0, range(900, 1200, 2))
    finding = only(differences(first, second), "line-varies")
    assert (finding.severity, finding.lines) == ("oddity", ("D3",))
    assert "most likely its clip" in finding.text
    assert set(finding.cycles) <= set(range(899, 1201))


@pytest.mark.slow
def test_a_line_that_sends_the_cpu_astray_in_one_of_them_is_a_fault():
    """One bad cell of the ROM stands for a joint that opens: D1 is high at one fetch only."""
    board = tide_gauge()
    image = board.chip("U5").images[0].content
    first = boot(cycles=2500)
    ran = np.flatnonzero((first.program.opcode == 0xD0) & (first.program.pc >= 0xE000))
    offset = int(first.program.pc[ran[3]]) - 0xE000
    assert image[offset] == 0xD0  # BNE becomes $D2, which jams
    second = boot(f"cell:U5.{offset:04X}.1=1", cycles=2500)
    found = differences(first, second)
    finding = only(found, "line-varies")
    assert (finding.severity, finding.lines) == ("fault", ("D1",))
    assert "goes another way" in finding.text
    diagnosis = diagnose(first, second)
    assert diagnosis.verdict == "fault"
    assert any("D1" in step for step in diagnosis.next_steps)


@pytest.mark.slow
def test_without_a_board_the_program_s_own_bytes_are_compared():
    capture = boot(cycles=2000).capture
    first = read_boot(capture, unknown_board())
    second = read_boot(reread(first, "D6", None, range(700, 1300, 3)).capture, unknown_board())
    assert ("D6",) in {f.lines for f in differences(first, second) if f.severity == "oddity"}
    assert told(differences(first, first)) == set()


def test_what_cannot_be_compared_is_said():
    first = boot(cycles=600)
    dead = boot("clock:absent", cycles=600)
    assert only(differences(first, dead), "not-compared").severity == "note"


@pytest.mark.slow
def test_the_command_takes_a_second_capture(tmp_path: Path):
    first = boot(cycles=2000)
    capture = first.capture
    spans = [(int(first.cycles.rise_ps[k]), int(first.cycles.time_ps[k]) + 60_000)
             for k in range(900, 1200, 2)]  # fmt: skip
    write_csv(capture, tmp_path / "first.csv")
    write_csv(redrawn(capture, "D3", spans, 0), tmp_path / "second.csv")
    board = str(Path(__file__).resolve().parents[2] / "fixtures" / "tide_gauge" / "board.toml")
    done = CliRunner().invoke(
        cli,
        ["diagnose", str(tmp_path / "first.csv"), "--again", str(tmp_path / "second.csv"),
         "--board", board],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "D3 differs between the two captures" in text
