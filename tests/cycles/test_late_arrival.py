"""Data that arrive close before the fall are not data that leave early."""

import numpy as np
import pytest
from drill_readings import boot, run


@pytest.mark.slow
def test_a_chip_that_always_drives_does_not_move_the_sampling_point():
    """Its bytes come late in every read; the address lines show that the clock is not late."""
    reading = boot("always:U4", cycles=1500, seed=5)
    record = run("always:U4", cycles=1500, seed=5)
    assert np.array_equal(reading.cycles.data[:1400], record.clip_data[1:1401])
