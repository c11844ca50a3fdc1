"""A bus that is taken from the CPU within its reset sequence."""

import pytest
from drill_readings import FIXTURES, read, rules

from bustrace.board import load_board
from bustrace.drill import Display, simulate
from bustrace.findings import observe


@pytest.mark.slow
@pytest.mark.parametrize("starts", range(14, 22))
def test_cycles_of_a_display_do_not_stand_between_the_vector_and_its_target(starts):
    """Wherever the six stolen cycles fall, the vector is read and taken in the CPU's own cycles."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    display = Display(every=200, run=6, first=0x0400, length=32, starts=starts)
    record = simulate(board, cycles=120, seed=8, display=display)
    seen = observe(read(record))
    assert not {rule for rule in rules(seen.findings) if rule.startswith("vector")}
    ladder = {rung.name: rung for rung in seen.ladder}
    assert ladder["vector read"].text.startswith("$E000 at cycle ")
    assert ladder["first instruction"].status == "ok"
    assert ladder["first instruction"].text.startswith("at $E000")
