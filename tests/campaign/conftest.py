from pathlib import Path

import pytest

from bustrace.campaign import BoardFiles, Plan, board_files, made_up_board, make_case
from bustrace.faults import Fault

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="session")
def tide_gauge() -> BoardFiles:
    """The demo board: U4 RAM, U5 ROM, U6 port and timer, U7 latch, U2 decoder."""
    return board_files(FIXTURES / "tide_gauge" / "board.toml")


@pytest.fixture(scope="session")
def plan(tide_gauge) -> Plan:
    """Two boards that run fast."""
    return Plan(4, (tide_gauge, made_up_board(1)))


@pytest.fixture(scope="session")
def case_of(tide_gauge):
    """A function: fault ids or plantings to a short plain case of the demo board."""

    def make(*faults, **how):
        how = {"line_set": "all", "cycles": 1500, "nuisances": False, "seed": 5} | how
        planted = [Fault.parse(told) if isinstance(told, str) else told for told in faults]
        return make_case(tide_gauge, planted, **how)

    return make
