"""Healthy boots never diverge; a planted fault is found where it first shows, and blamed."""

import numpy as np
import pytest
from boot_pairs import (
    DEMO_BOARDS,
    demo_board,
    display_of,
    faults_of,
    first_act,
    reading_of,
    run_of,
    some_board,
    ugly_reading,
)
from compare_truth import blame_is_right
from drill_readings import boot, read, reread, run

from bustrace.board import load_board
from bustrace.capture import open_capture
from bustrace.compare import align, beside, compare, compare_rom
from bustrace.compare.sides import side_of
from bustrace.drill import healthy_boots
from bustrace.reading import read_boot

BUSES = ("PHI2", "RW", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))


@pytest.fixture(scope="module")
def good():
    return boot(seed=5, cycles=2500)


def test_the_first_wrong_byte_is_told_with_who_gave_it(good):
    """An EPROM output that is stuck: the chip, the bit, both cycles, both bytes."""
    found = compare(good, boot("plane:U5.1", seed=9, cycles=2500, rate=50_000_000))
    first = found.first
    assert (found.verdict, found.exit_code) == ("divergence", 1)
    assert (first.kind, first.blame, first.chips, first.lines) == (
        "read",
        "answer",
        ("U5",),
        ("D1",),
    )
    assert first.good_cycle is not None
    image = good.board.chip("U5").images[0].content
    assert first.expected == f"${image[first.address & 0x1FFF]:02X}"
    assert int(first.seen[1:], 16) ^ int(first.expected[1:], 16) == 0x02
    assert good.cycles.address[first.good_cycle] == first.address


def test_a_line_that_the_cpu_drives_otherwise_is_the_cpus(good):
    first = compare(good, boot("stuck:A9=1@bus", seed=8)).first
    assert (first.kind, first.blame, first.lines) == ("output", "cpu", ("A9",))


def test_a_clip_that_is_off_is_no_divergence(good):
    """The program ran as though the line moved: it is named among what was not compared."""
    found = compare(good, boot("clip:A3", seed=8))
    assert found.verdict == "no divergence"
    assert any("A3" in words and "clip" in words for words in found.not_compared)


def test_other_lines_are_compared_on_what_both_show(good):
    """Without selects and control lines a wrong byte is still found, and the lack is told."""
    found = compare(good, boot("plane:U5.1", seed=9, lines=BUSES))
    assert found.first.chips == ("U5",)
    assert any("CS_U4" in words and "good boot only" in words for words in found.not_compared)
    assert compare(good, boot(seed=10, lines=BUSES)).verdict == "no divergence"


def test_what_the_good_boot_does_not_keep_to_is_held_against_nobody():
    """A RAM that forgets in the good boot too is not judged, and that is told."""
    found = compare(boot("plane:U4.3", seed=5), boot("plane:U4.3", seed=6))
    assert found.verdict == "no divergence"
    assert any(words.startswith("U4:") for words in found.not_compared)


def test_no_program_is_no_proof(good):
    """A capture too short to compare, and a dead clock, are not called alike."""
    assert compare(good, boot(seed=6, cycles=24)).exit_code == 3
    dead = compare(good, boot("clock:absent", seed=6))
    assert dead.verdict == "cannot conclude"
    assert "no bus cycles" in dead.reason


def test_one_glitch_recovers_and_a_derailed_boot_does_not(good):
    """One write shows another bit at the clip, then all is as before; or the CPU runs wild."""
    reading = boot(seed=6, cycles=2500)
    rows = np.flatnonzero(reading.program.opcode == 0x85)  # STA zp writes, which the clip sees
    at = int(reading.program.first_cycle[rows[5]]) + 2
    level = int(reading.cycles.data[at]) & 1 ^ 1
    found = compare(good, reread(reading, "D0", level, [at]))
    assert (found.first.cycle, found.first.blame) == (at, "cpu")
    assert found.recovers_at is not None
    assert found.recovers_at > at
    assert compare(good, boot("plane:U5.1", seed=9)).recovers_at is None


def test_rows_stand_beside_each_other_whatever_the_clock(good):
    """Another rate, seed and start: the same instruction, and the same cycle in it."""
    other = boot(seed=11, cycles=2500, rate=100_000_000, start_cycle=3)
    mine, theirs = side_of(good), side_of(other)
    alignment = align(mine, theirs)
    for cycle in range(theirs.start, len(theirs) - 700, 37):
        at = beside(mine, theirs, alignment, cycle)
        assert at is not None
        assert good.program.intent.address[at] == other.program.intent.address[cycle]


@pytest.mark.slow
@pytest.mark.parametrize("number", range(12))
def test_healthy_boots_of_one_board_do_not_diverge(number, tmp_path):
    """Seed, rate, clock, reset, RAM and interrupt phase differ; a display takes the bus."""
    rng = np.random.default_rng((21, number))
    board = some_board(number, tmp_path)
    good, bad = (
        reading_of(run_of(board, rng, display=display_of(board, rng)), rng) for _ in range(2)
    )
    found = compare(good, bad)
    assert (found.verdict, found.first) == ("no divergence", None)
    assert found.ran_alike > 100
    assert compare_rom(bad).verdict == "no divergence"


@pytest.mark.slow
def test_ugly_healthy_boots_do_not_diverge(tmp_path):
    """Any dialect, late clocks, bouncing resets, starts in the midst, few lines."""
    concluded = 0
    for number, healthy in enumerate(healthy_boots(tmp_path, 25, seed=77)):
        board = load_board(healthy.board_path)
        bad = read_boot(open_capture(healthy.capture_path), board)
        good = read(_healthy_run(board, number), board=board)
        for found in (compare(good, bad), compare(bad, good), compare_rom(bad)):
            assert found.first is None, (healthy.about, found.first)
            concluded += found.verdict == "no divergence"
    assert concluded > 60


def _healthy_run(board, number):
    return run(board=board, seed=number, cycles=3500)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(4))
def test_planted_faults_are_found_where_they_first_show(number, tmp_path):
    """One of every kind on a board: first cycle and blame, with a good boot and with the image."""
    rng = np.random.default_rng((22, number))
    board = some_board(number, tmp_path)
    good = reading_of(run_of(board, rng, display=display_of(board, rng)), rng)
    missed, blamed, shown = [], [], 0
    for fault in faults_of(board, rng):
        seed = int(rng.integers(2**31))
        draws = np.random.default_rng(seed)
        record = run_of(board, draws, fault, display=display_of(board, draws))
        bad = reading_of(record, draws)
        act = first_act(record, bad, np.random.default_rng(seed))
        for found in (compare(good, bad), compare_rom(bad)):
            if act is None:
                assert found.first is None, (fault, found.first)
                continue
            shown += 1
            if found.first is None or found.first.cycle != act.cycle:
                missed.append((fault, act, found.first))
            if found.first is None or not blame_is_right(fault, found.first, board):
                blamed.append((fault, found.first))
    assert shown > 30
    assert len(missed) <= 0.05 * shown, missed
    assert len(blamed) <= 0.1 * shown, blamed


@pytest.mark.parametrize("name", DEMO_BOARDS)
def test_a_board_is_beside_itself(name):
    """Every row that was followed is its own partner, and nothing is wrong."""
    board = demo_board(name)
    reading = reading_of(run_of(board, np.random.default_rng(3)), np.random.default_rng(4))
    found = compare(reading, reading)
    assert found.first is None
    paired = np.flatnonzero(found.partner >= 0)
    assert (found.partner[paired] == paired).all()
    assert len(paired) > 100


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 6, 15, 27, 149])
def test_healthy_boots_do_not_diverge_however_ugly(number, tmp_path):
    """Noise on selects, data, beside the clock's fall; late clocks, chatter, the reset button."""
    rng = np.random.default_rng((77, number))
    board = some_board(number, tmp_path / str(number))
    good, bad = (ugly_reading(board, rng) for _ in range(2))
    for found in (compare(good, bad), compare_rom(bad)):
        assert found.verdict == "no divergence", found.first
