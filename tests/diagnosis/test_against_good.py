"""A known-good boot as evidence: it excuses, it refutes, it points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from boot_pairs import DEMO_BOARDS, demo_board, display_of, faults_of, reading_of, run_of
from click.testing import CliRunner
from drill_readings import FIXTURES, boot, complaints, first_class, members, only, reread, rules
from programmed_boards import VIA, programmed

from bustrace.board import load_board
from bustrace.cli import cli
from bustrace.compare import Divergence, compare
from bustrace.diagnosis import diagnose
from bustrace.diagnosis.against_good import points_at
from bustrace.faults import Fault
from bustrace.reading import Reading, read_boot


@pytest.fixture(scope="module")
def good():
    return boot(seed=5, cycles=2500)


def without_images(reading: Reading) -> Reading:
    """The same capture against a board file that knows no ROM image."""
    board = reading.board
    chips = tuple(replace(chip, images=()) for chip in board.chips)
    return read_boot(reading.capture, replace(board, chips=chips))


@pytest.mark.slow
def test_without_an_image_the_good_boot_shows_what_the_rom_holds(good):
    """One byte of the ROM differs: nothing else could tell."""
    bad = without_images(boot("content:U5", seed=9, cycles=2500))
    assert diagnose(bad).verdict != "fault"
    found = diagnose(bad, good=without_images(good))
    assert (found.verdict, found.exit_code) == ("fault", 1)
    assert "content:U5" in first_class(found)
    finding = only(found.findings, "leaves-good-boot")
    assert (finding.severity, finding.chips) == ("fault", ("U5",))
    assert "leaves-good-boot" in found.suspects[0].explains


@pytest.mark.slow
def test_what_the_good_boot_shows_too_is_no_fault(good, tmp_path):
    """The board file's image is another revision's: both boots say so, neither board is faulty."""
    folder = FIXTURES / "tide_gauge"
    image = bytearray((folder / "tide_gauge.bin").read_bytes())
    image[0x55:0x60] = bytes(value ^ 0xFF for value in image[0x55:0x60])
    (tmp_path / "other.bin").write_bytes(image)
    text = (folder / "board.toml").read_text(encoding="utf-8")
    (tmp_path / "board.toml").write_text(text.replace("tide_gauge.bin", "other.bin"))
    board = load_board(tmp_path / "board.toml")
    mine, working = (read_boot(r.capture, board) for r in (boot(seed=8, cycles=2500), good))
    assert "fault" in {f.severity for f in diagnose(mine).findings}
    found = diagnose(mine, good=working)
    assert complaints(found) == []
    assert any("The good boot shows the same" in f.text for f in found.findings)


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMO_BOARDS)
def test_two_healthy_boots_hear_nothing(name):
    board = demo_board(name)
    rng = np.random.default_rng(40)
    first, second = (
        reading_of(run_of(board, rng, display=display_of(board, rng)), rng) for _ in range(2)
    )
    assert complaints(diagnose(first, good=second)) == []


@pytest.mark.slow
@pytest.mark.parametrize("line", ["A3", "CS_RAM", "D4"])
def test_a_clip_that_is_off_is_no_fault_of_the_board(good, line):
    """A select at rest at the probe alone, while its chip answers, and so for buses."""
    bad = reread(boot(seed=8, cycles=2500), line, 1)
    assert not [f for f in diagnose(bad, good=good).findings if f.severity == "fault"]


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMO_BOARDS[:2])
def test_the_planted_fault_is_named_at_least_as_well(name):
    """Its place among the suspects never falls, over one fault of every kind."""
    board = demo_board(name)
    rng = np.random.default_rng(41)
    working = reading_of(run_of(board, rng, display=display_of(board, rng)), rng)

    def place(found, fault):
        places = [at for at, s in enumerate(found.suspects) if fault in members(s)]
        return places[0] if places else 99

    for fault in list(faults_of(board, rng))[::3]:
        bad = reading_of(run_of(board, rng, fault, display=display_of(board, rng)), rng)
        alone, beside = diagnose(bad), diagnose(bad, good=working)
        assert place(beside, fault) <= place(alone, fault), fault
        assert beside.verdict == "fault" or alone.verdict != "fault", fault


def test_a_good_boot_that_shows_nothing_is_said_and_changes_nothing(good):
    dead = boot("clock:absent", cycles=300)
    bad = boot("plane:U5.1", seed=9, cycles=900)
    found = diagnose(bad, good=dead)
    assert "good-boot-unused" in rules(found.findings, "note") or found.verdict == "fault"
    assert first_class(found) == first_class(diagnose(bad))


@pytest.mark.parametrize(
    ("fault", "blame", "lines", "chips", "said"),
    [
        ("stuck:A9=1@bus", "cpu", ("A9",), (), True),
        ("stuck:A9=1@bus", "cpu", ("A8",), (), False),
        ("stuck:A9=1@bus", "answer", ("D1",), ("U5",), False),
        ("plane:U5.1", "answer", ("D1",), ("U5",), True),
        ("plane:U4.1", "answer", ("D1",), ("U5",), False),
        ("open:A7@U4", "answer", ("D0",), ("U4",), True),
        ("stuck:CS_U4=1@decoder", "select", ("CS_U4",), ("U4",), True),
        ("held:IRQ=0", "line", ("IRQ",), (), True),
        ("clock:stops", "clock", ("PHI2",), (), True),
        ("clip:A9", "cpu", ("A9",), (), False),
        ("cpu:U1", "cpu", ("A9",), (), True),
    ],
)
def test_a_divergence_points_at_what_would_show_there_first(good, fault, blame, lines, chips, said):
    first = Divergence(
        "read", blame, 9, 9, None, None, None, None, "", lines, chips, "", "", ""
    )  # fmt: skip
    assert points_at(first, Fault.parse(fault), good.board) is said


@pytest.mark.slow
def test_the_command_tells_where_the_boots_part():
    folder = FIXTURES / "tide_gauge"
    bad = FIXTURES / "tide_gauge_rom_content" / "capture.csv"
    working = FIXTURES / "tide_gauge_healthy" / "capture.vcd"
    words = ["diagnose", str(bad), "--good", str(working), "--board", str(folder / "board.toml")]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 1
    text = " ".join(done.stdout.split())
    assert "This boot leaves the good one in cycle" in text
    assert "leaves the known-good one just there" in text
    board = load_board(folder / "board.toml")
    from bustrace.capture import open_capture

    mine, other = (read_boot(open_capture(path), board) for path in (bad, working))
    assert f"cycle {compare(other, mine).first.cycle:,}" in text


def reading_one_port(code):
    """A program that does nothing but read a port."""
    code.label("again")
    code.op("LDA", "abs", VIA + 1)
    code.op("STA", "zp", 0x10)
    code.op("JMP", "jump", "again")


@pytest.mark.slow
def test_a_port_that_is_lively_in_the_good_boot_does_not_rest_at_what_the_bus_held(tmp_path):
    """Alone, the bad boot cannot tell a chip that is mute from a port at rest."""
    board = programmed(tmp_path, reading_one_port)
    working, mute = boot(board=board, seed=5), boot("silent:U6", board=board, seed=6)
    assert diagnose(mute).verdict != "fault"
    first = compare(working, mute).first
    assert (first.blame, first.chips) == ("answer", ("U6",))
    found = diagnose(mute, good=working)
    assert found.verdict == "fault"
    assert "silent:U6" in first_class(found)
    assert compare(working, boot(board=board, seed=7)).first is None
