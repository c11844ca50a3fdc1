"""What a healthy board could have shown as well is no visible fault."""

from pathlib import Path

import pytest

from bustrace.campaign import board_files, make_case
from bustrace.campaign.by_chance import healthy_by_chance
from bustrace.campaign.cases import lines_of
from bustrace.campaign.playing import play_case
from bustrace.campaign.seen import differing, seen_on
from bustrace.drill import Planting
from bustrace.faults import Fault

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def by_chance(case):
    record, start = case.run(case.faults), case.conditions.start
    lines = lines_of(record, case.line_set)
    seen = seen_on(record, lines, start=start)
    healthy = seen_on(case.run(()), lines, start=start)
    assert len(differing(seen, healthy))
    return healthy_by_chance(case, lines, seen)


@pytest.mark.slow
def test_two_rams_in_each_others_sockets_only_bring_other_bytes_at_power_on():
    """Whatever is read before it was written may be anything."""
    board = board_files(FIXTURES / "departure_board" / "board.toml")
    swapped = [Fault.parse("swapped:U23+U24")]
    case = make_case(
        board, swapped, line_set="all", cycles=3000, nuisances=False, rom_known=True, seed=5
    )
    assert by_chance(case)
    assert play_case(case)["differing"] == 0


@pytest.mark.slow
def test_a_port_at_which_the_cpu_stands_in_reset_may_show_any_byte():
    """It stands anywhere (common practice), here at the 6522, and nothing reads that later."""
    board = board_files(FIXTURES / "tide_gauge" / "board.toml")
    how = {"line_set": "all", "cycles": 200, "nuisances": False, "rom_known": True}
    silent = [Fault.parse("silent:U6")]
    in_reset = (make_case(board, silent, seed=seed, **how) for seed in range(1, 400))
    case = next(case for case in in_reset if stands_at(case, "U6"))
    assert by_chance(case)


def stands_at(case, ref):
    run = case.run(())
    return run.res[0] == 0 and run.drives(ref)[0]


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["silent:U4", "cell:U4.01FF.0=1", "plane:U5.1", "clip:A3"])
def test_what_gives_a_wrong_byte_or_level_is_no_chance(case_of, fault):
    assert not by_chance(case_of(fault))


@pytest.mark.slow
def test_a_cpu_that_is_lost_again_where_it_was_lost_is_judged():
    """Stretches that begin in the very cycle of the last loss take its place; there are fewer."""
    board = board_files(FIXTURES / "kiln_control" / "board.toml")
    how = {"line_set": "32", "cycles": 5000, "nuisances": True, "rom_known": True}
    fault = Planting(Fault.parse("cpu:U1"), "flag")
    told = play_case(make_case(board, [fault], seed=977171595, **how))
    assert told.get("right"), told
