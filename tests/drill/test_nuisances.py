"""What is ugly about a healthy boot, and what is wrong in its board file."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bustrace.board import load_board
from bustrace.cpu import CpuState, replay
from bustrace.drill import (
    Nuisances,
    as_described,
    draw_nuisances,
    sample,
    simulate,
    waveform,
)

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="module")
def run(tide_gauge):
    return simulate(tide_gauge, cycles=3000, seed=2)


def test_drawn_nuisances_cover_every_kind(tide_gauge):
    drawn = [draw_nuisances(np.random.default_rng(seed), tide_gauge) for seed in range(200)]
    plain = Nuisances()
    for name in Nuisances.__dataclass_fields__:
        values = {getattr(one, name) for one in drawn}
        assert getattr(plain, name) in values
        assert len(values) > 1, name
    assert {one.left_out for one in drawn} == {None, "U7"}
    assert {one.other_revision for one in drawn} == {None, "U5"}


@pytest.mark.slow
def test_a_chattering_input_changes_at_every_read(tide_gauge):
    """Reads of the 6522's port B, which the disc reader drives."""

    def levels(**how):
        run = simulate(tide_gauge, cycles=9000, seed=2, **how)
        reads = run.drives("U6") & (run.cpu_address & 15 == 0)
        return run.cpu_data[reads]

    calm, chatty = levels(io_hold=100_000), levels(io_hold=1)
    assert len(np.unique(calm)) == 1
    assert len(np.unique(chatty)) > 3


def test_the_clock_wanders_as_far_as_it_is_told_and_cycles_stay_cycles(run):
    steady = np.diff(waveform(run, seed=1).fall_ps)
    wandering = np.diff(waveform(run, seed=1, drift=0.01).fall_ps)
    assert np.ptp(steady) < 1_000
    assert 0.985e6 < wandering.min() < 0.995e6
    assert 1.005e6 < wandering.max() < 1.015e6


def test_contention_is_over_before_the_byte_is_taken(run):
    plain, ugly = (waveform(run, seed=1, contention=share) for share in (0.0, 0.5))
    assert np.array_equal(plain.fall_ps, ugly.fall_ps)
    moves = [0, 0]
    for line in (f"D{bit}" for bit in range(8)):
        settled = []
        for place, wave in enumerate((plain, ugly)):
            times, levels = wave.lines[line]
            at = np.searchsorted(times, wave.fall_ps[1:] - 100_000, side="right") - 1
            settled.append(levels[at])
            moves[place] += np.count_nonzero(np.diff(levels))
        assert np.array_equal(*settled)
    assert moves[1] > 1.1 * moves[0]


def test_nuisances_change_nothing_that_the_cpu_does(tide_gauge, run):
    ugly = simulate(tide_gauge, cycles=3000, seed=2, undriven="mixed", io_hold=1)
    trace = replay(
        CpuState.at_reset("6502"),
        ugly.cpu_data,
        res=ugly.res,
        irq=ugly.irq,
        nmi=ugly.nmi,
        rdy=ugly.rdy,
        address=ugly.clip_address,
        data=ugly.clip_data,
        rw=ugly.rw,
        sync=ugly.sync,
    )
    assert trace.first_mismatch is None
    capture = sample(run, rate=24_000_000, seed=1, contention=0.3, drift=0.01)
    assert len(capture) > 3000


# ---- a board file that is slightly wrong


@pytest.mark.parametrize(("name", "ref"), [("tide_gauge", "U7"), ("kiln_control", "U4")])
def test_a_chip_left_out_is_what_a_board_file_without_it_gives(tmp_path, name, ref):
    """Against the loader: the board file with its lines cut out by hand."""
    folder = FIXTURES / name
    board = load_board(folder / "board.toml")
    without = as_described(board, Nuisances(left_out=ref), 1)
    text = (folder / "board.toml").read_text(encoding="utf-8").replace(f', Y5 = "{ref}"', "")
    blocks = [part for part in text.split("[[chips]]") if f'ref = "{ref}"' not in part]
    cut = tmp_path / "board.toml"
    cut.write_text("[[chips]]".join(blocks), encoding="utf-8")
    for chip in board.chips:
        for image in chip.images:
            (tmp_path / image.path).write_bytes(image.content.tobytes())
    loaded = load_board(cut)
    assert without.map.chips == loaded.map.chips
    for column in ("responds", "offsets", "inner", "data_masks"):
        assert np.array_equal(getattr(without.map, column), getattr(loaded.map, column)), column
    assert [chip.ref for chip in without.chips] == [chip.ref for chip in loaded.chips]


def test_a_chip_left_out_of_every_bank(tmp_path):
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    without = as_described(board, Nuisances(left_out="U6"), 1)
    assert "U6" not in without.map.chips
    for state, table in enumerate(without.maps):
        old = board.maps[state]
        for ref in table.chips:
            assert np.array_equal(table.readers(ref), old.readers(ref))
            assert np.array_equal(table.takers(ref), old.takers(ref))
    assert all("U6" not in out.chips for one in without.decoders for out in one.outputs)


def test_another_revisions_image_differs_here_and_there_but_not_in_its_vectors(tide_gauge):
    other = as_described(tide_gauge, Nuisances(other_revision="U5"), 4)
    new, old = (board.chip("U5").images[0] for board in (other, tide_gauge))
    differ = np.flatnonzero(new.content != old.content)
    assert 6 < len(differ) < 0.2 * len(old)
    assert np.array_equal(new.content[-6:], old.content[-6:])
    assert new.sha256 != old.sha256
    assert replace(tide_gauge, chips=other.chips).map is tide_gauge.map


def test_without_nuisances_the_board_is_described_as_it_is(tide_gauge):
    assert as_described(tide_gauge, Nuisances(), 1) is tide_gauge
    with pytest.raises(KeyError):
        as_described(tide_gauge, Nuisances(left_out="U99"), 1)
