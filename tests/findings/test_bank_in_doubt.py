"""A bank that was chosen before the capture: nobody knows who answers until it is chosen again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import FIXTURES, boot

from bustrace.board import Board, load_board
from bustrace.diagnosis import diagnose
from bustrace.diagnosis.model import LIKELY
from bustrace.drill import Nuisances, as_described
from bustrace.findings import WRONG_ONLY, Assumption, gather
from bustrace.reading import Reading


@pytest.fixture(scope="module")
def board() -> Board:
    return load_board(FIXTURES / "departure_board" / "board.toml")


@pytest.fixture(scope="module")
def reading(board: Board) -> Reading:
    """A sound boot from cycle 424 on; the first write to the latch comes some 950 cycles later."""
    return boot(board=board, start_cycle=424, cycles=3424)


@pytest.mark.parametrize(
    "assumption",
    [
        pytest.param(Assumption(decoder_or=1 << 13), id="the ROM answers in either bank"),
        pytest.param(Assumption(latch_dead=1), id="nobody ever knows the bank"),
    ],
)
def test_a_fault_gains_nothing_by_deciding_a_bank_or_leaving_it_in_doubt(reading, assumption):
    """Bytes that were not seen before speak neither for one who knows who gives them, nor for one
    who does not.
    """
    replay = gather(reading).replay
    other = replay.replay(assumption)
    doubted = (replay.meant_address >= 0) & ((replay.healthy.bank < 0) != (other.bank < 0))
    spared = (replay.healthy.cost - other.cost)[doubted]
    assert doubted.any()
    assert spared.max() <= 0
    wrong = replay.replay(assumption, WRONG_ONLY)
    assert set(wrong.cost[doubted].tolist()) <= {10.0 * levels for levels in range(9)}  # no news


@pytest.mark.parametrize("revision", [1, 2])
def test_another_revision_alone_is_likely_where_the_bank_was_not_seen_before(
    board, reading, revision
):
    """A copy of the ROM in the RAM under it, made before the capture, speaks for no latch."""
    described = as_described(board, Nuisances(other_revision="U5"), revision)
    suspects = diagnose(replace(reading, board=described)).suspects
    assert [str(s.fault) for s in suspects if s.probability >= LIKELY] == ["content:U5"]
