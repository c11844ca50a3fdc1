"""From a file on disk to a verdict: the right fault first, nothing on a healthy board."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from drill_readings import FIXTURES, complaints, first_class, rules

from bustrace import diagnose, load_board, open_capture, read_boot
from bustrace.board import Board
from bustrace.diagnosis import Diagnosis
from bustrace.drill import assemble, healthy_boots, healthy_boots_of

CAPTURES = (
    "healthy", "healthy_16_lines", "rom_never_drives", "d3_stuck_low_at_cpu", "a9_stuck_high",
    "d1_d4_short", "a6_stuck_low_behind_cpu", "reset_held_low", "irq_held_low", "clock_stops",
    "ram_answers_with_rom",
)  # fmt: skip
"""Captures made outside this project, from a transistor-level simulation of the CPU."""

VERDICTS = {"no fault seen", "fault", "cannot conclude", "healthy up to"}
EXIT_CODES = {"no fault seen": 0, "healthy up to": 0, "fault": 1, "cannot conclude": 3}
HEALTHY_SEEDS = range(51)
DEMO_BOARDS = ("departure_board", "kiln_control")

BOOTS = sorted(path.parent.name for path in FIXTURES.glob("*/expected.json"))


def the_capture(folder: Path) -> Path:
    """The one capture file of a fixture's folder."""
    found = sorted(folder.glob("capture.*"))
    assert len(found) == 1, f"{folder.name} holds {len(found)} captures"
    return found[0]


def judged(capture: Path, board: Board, hookup: dict[str, str] | None) -> Diagnosis:
    return diagnose(read_boot(open_capture(capture), board, hookup))


@pytest.mark.slow
@pytest.mark.parametrize("name", BOOTS)
def test_a_fixture_gets_the_verdict_that_lies_beside_it(name):
    """A folder with a capture and `expected.json` is a test: verdict, exit code, first suspect."""
    folder = FIXTURES / name
    expected: dict[str, Any] = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    board = load_board(folder / expected["board"], without=expected.get("without", ()))
    diagnosis = judged(the_capture(folder), board, expected.get("hookup"))
    allowed = {expected["verdict"], *expected.get("also_true", ())} - {None} or VERDICTS
    assert diagnosis.verdict in allowed, complaints(diagnosis)
    assert diagnosis.exit_code == EXIT_CODES[diagnosis.verdict]
    for fault in expected["faults"]:
        same = {fault, *expected.get("alike", ())}
        assert same & first_class(diagnosis), complaints(diagnosis)
    if not expected["faults"]:
        assert complaints(diagnosis) == []


def test_every_fixture_says_only_what_the_test_reads():
    """A misspelt key in `expected.json` would be a wish that nobody checks."""
    known = {"verdict", "faults", "also_true", "alike", "board", "hookup", "note", "without"}
    for name in BOOTS:
        expected = json.loads((FIXTURES / name / "expected.json").read_text(encoding="utf-8"))
        assert set(expected) <= known, name
        assert {"verdict", "faults", "board"} <= set(expected), name
        assert {expected["verdict"], *expected.get("also_true", ())} <= VERDICTS | {None}, name
        assert (FIXTURES / name / "ORIGIN.md").is_file(), name
    assert len(BOOTS) >= 6


@pytest.fixture(scope="session")
def labels(captures_dir: Path) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((captures_dir / "labels.json").read_text(encoding="utf-8"))
    return read


def test_every_shared_capture_is_judged(labels):
    """None is left out of the list above."""
    assert set(labels) == set(CAPTURES)


@pytest.mark.slow
@pytest.mark.parametrize("name", CAPTURES)
def test_a_shared_capture_gets_the_verdict_of_its_label(
    name, labels, captures_dir, exerciser_board
):
    """The planted fault stands in the first suspect's class; a healthy board hears nothing."""
    label = labels[name]
    # Sixteen channels without names: the person at the bench must say which is which.
    hookup = label["lines"] if name == "healthy_16_lines" else None
    diagnosis = judged(captures_dir / label["file"], exerciser_board, hookup)
    if label["faults"]:
        assert diagnosis.verdict == "fault"
        assert set(label["faults"]) <= first_class(diagnosis), complaints(diagnosis)
    else:
        assert complaints(diagnosis) == []
        assert diagnosis.exit_code == 0
    assert diagnosis.exit_code == EXIT_CODES[diagnosis.verdict]


def test_unnamed_channels_are_asked_about_not_guessed(captures_dir, labels, exerciser_board):
    """Without the hookup the verdict is a question, and no fault is made of it."""
    label = labels["healthy_16_lines"]
    diagnosis = judged(captures_dir / label["file"], exerciser_board, None)
    assert diagnosis.verdict == "cannot conclude"
    assert rules(diagnosis.findings, "fault") == set()
    assert diagnosis.next_steps


@pytest.mark.slow
@pytest.mark.parametrize("seed", HEALTHY_SEEDS)
def test_a_healthy_boot_hears_nothing(seed, tmp_path):
    """Fifty boards, clocks, rates, dialects, RAM contents, starts, firmwares: no fault in any."""
    (made,) = healthy_boots(tmp_path, 1, seed=seed)
    diagnosis = judged(made.capture_path, load_board(made.board_path), None)
    assert complaints(diagnosis) == [], made.about
    assert diagnosis.verdict in ("no fault seen", "healthy up to"), (made.about, diagnosis.summary)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", DEMO_BOARDS)
def test_a_healthy_boot_of_a_demo_board_hears_nothing(name, seed, tmp_path):
    """The same firmware with other rates, starts, resets, RAM contents, lines, shared cycles."""
    board_path = FIXTURES / name / "board.toml"
    board = load_board(board_path)
    source = (FIXTURES / name / f"{name}.s").read_text(encoding="utf-8")
    main_loop = assemble(source, board.cpu.variant).labels["main"] & board.address_mask
    (made,) = healthy_boots_of(board_path, main_loop, tmp_path, 1, seed=seed)
    diagnosis = judged(made.capture_path, board, None)
    assert complaints(diagnosis) == [], made.about
    # Without SYNC, and without the reset in view, a program may not be found.
    found = {"no fault seen", "healthy up to"} | (
        {"cannot conclude"} if made.start_cycle else set()
    )
    assert diagnosis.verdict in found, (made.about, diagnosis.summary)
