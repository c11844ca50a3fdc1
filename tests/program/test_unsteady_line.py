"""A line that is between the levels: the CPU takes many reads otherwise than the clips, and often
several in a row.
"""

import numpy as np
import pytest
from drill_readings import read, tide_gauge

from bustrace.campaign.boards import loaded, made_up_board
from bustrace.drill import Planting, simulate
from bustrace.faults import Fault


def corrected(board, line, seed):
    """A boot with a weak output of the ROM: corrections, how many are true, and the reading."""
    (rom,) = (chip.ref for chip in board.chips if chip.role == "rom")
    fault = Planting(Fault.parse(f"plane:{rom}.{line}"), "weak")
    record = simulate(board, cycles=1500, faults=[fault], seed=seed)
    reading = read(record, seed=seed)
    # The capture begins some cycles into the record.
    seen = reading.cycles.data[:1000]
    agree = [np.count_nonzero(record.clip_data[k : k + len(seen)] == seen) for k in range(4)]
    shift = int(np.argmax(agree))
    fixes = reading.program.read_corrections
    true = sum(int(record.cpu_data[fix.cycle + shift]) == fix.believed for fix in fixes)
    return len(fixes), true, reading


@pytest.mark.slow
def test_several_reads_in_a_row_are_wrong_on_one_line():
    """Without knowing the line it was lost after six."""
    fixes, true, _ = corrected(loaded(made_up_board(2)), 6, seed=6)
    assert fixes > 50
    assert true == fixes


def test_what_the_line_explains_is_not_laid_to_others():
    """As far as with other lines, one byte of which was wrong."""
    fixes, true, reading = corrected(tide_gauge(), 1, seed=9)
    assert reading.program.lost_at is None
    assert true == fixes > 5
    differ = [fix.seen ^ fix.believed for fix in reading.program.read_corrections]
    assert set(differ) == {1 << 1}
