"""The technician who follows the advice, and the one who does the easiest first."""

import pytest

from bustrace.campaign.boards import loaded
from bustrace.campaign.mending import Step, Work, easiest_first, finds, steps_for, work_until_mended
from bustrace.drill import plantable
from bustrace.faults import Fault


@pytest.fixture(scope="module")
def board(tide_gauge):
    return loaded(tide_gauge)


def work(board, truth, *answer):
    named = [step for text in answer for step in steps_for(Fault.parse(text), board)]
    return work_until_mended(Fault.parse(truth), named, board)


def test_the_right_socketed_chip_costs_one_pull(board):
    socketed = next(chip.ref for chip in board.mapped if chip.socketed)
    assert work(board, f"content:{socketed}", f"content:{socketed}") == Work(1, 2, 0)


def test_a_line_is_probed_and_the_mended_board_captured(board):
    assert work(board, "stuck:A9=1@bus", "stuck:A9=1@bus") == Work(0, 2, 1)
    assert work(board, "stuck:A9=1@bus", "stuck:A8=1@bus", "stuck:A9=1@bus") == Work(0, 2, 2)


def test_a_slipped_clip_is_seated(board):
    assert work(board, "clip:A3", "clip:A3") == Work(0, 2, 0)
    assert work(board, "clip:A3") == Work(0, 2, 0)  # the fixed order begins with the clips


def test_no_step_is_done_twice(board):
    twice = work(board, "stuck:A9=1@bus", "stuck:A8=1@bus", "stuck:A8=0@behind", "stuck:A9=0@bus")
    assert twice == Work(0, 2, 2)


def test_wrong_advice_costs_and_the_easiest_first_order_goes_on(board):
    alone, misled = work(board, "stuck:A9=1@bus"), work(board, "stuck:A9=1@bus", "content:U5")
    assert misled.total >= alone.total
    assert alone.total > 10


def test_a_mute_chip_is_probed_at_its_select_before_it_is_pulled(board):
    assert steps_for(Fault.parse("silent:U4"), board)[0] == Step("probe", "CS_U4")
    assert work(board, "stuck:CS_U4=1@decoder", "silent:U4") == Work(0, 2, 1)


def test_the_one_that_joins_in_is_the_one_to_pull(board):
    assert finds(Step("pull", "U6"), Fault.parse("doubled:U5+U6"), board)
    assert not finds(Step("pull", "U5"), Fault.parse("doubled:U5+U6"), board)


def test_a_swap_mends_no_line(board):
    assert not finds(Step("pull", "U4"), Fault.parse("stuck:A9=1@bus"), board)
    assert finds(Step("pull", "U4"), Fault.parse("stuck:A9=1@U4"), board)


def test_the_fixed_order_finds_every_fault_that_can_be_planted(board):
    """And each fault's own advice finds it too, sooner."""
    order = list(easiest_first(board))
    for fault in plantable(board):
        assert any(finds(step, fault, board) for step in order), fault
        own = steps_for(fault, board)
        assert any(finds(step, fault, board) for step in own), fault
