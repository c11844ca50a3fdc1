"""A read where no chip drives finds the last byte, all high, or the other half-cycle's byte."""

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot

from bustrace.diagnosis import diagnose
from bustrace.findings.answers import BoardReplay

pytestmark = pytest.mark.slow


def shared(reading, *, other):
    """The same boot where a display drove the bus in the other half of each undriven read, and its
    byte stayed there; with `other` False that half was not captured.
    """
    cycles, replay = reading.cycles, BoardReplay(reading)
    table = reading.board.map
    address = np.maximum(replay.address, 0)
    alone = (replay.address >= 0) & (replay.read == 1) & (table.responds[1, address] == 0)
    assert alone.sum() > 10
    byte = np.random.default_rng(3).integers(0, 256, len(cycles), dtype=np.uint8)
    known = np.full(len(cycles), 0xFF if other else 0, dtype=np.uint8)
    columns = {
        "data": np.where(alone, byte, cycles.data),
        "other_data": np.where(alone, byte, cycles.other_data),
        "other_data_known": known,
    }
    return replace(reading, cycles=replace(cycles, **columns))


def test_a_byte_that_stays_from_the_other_half_cycle_is_less_of_a_surprise():
    reading = boot()
    told, not_told = (BoardReplay(shared(reading, other=other)) for other in (True, False))
    assert told.wrong < 0.5 * not_told.wrong


def test_nobody_is_blamed_for_it():
    assert diagnose(shared(boot(), other=True)).exit_code == 0
