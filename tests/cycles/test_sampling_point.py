"""The sampling point that the capture chooses."""

from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from bustrace.cycles import UNSETTLED, find_cycles
from bustrace.hookup import identify_hookup


def read(capture):
    return find_cycles(capture, identify_hookup(capture))


def right(cycles, random_bus) -> bool:
    address, data, rw = (values[1 : len(cycles)] for values in random_bus)
    return (
        np.array_equal(cycles.address[1:], address)
        and np.array_equal(cycles.data[1:], data)
        and np.array_equal(cycles.pin("RW")[1:], rw)
    )


@pytest.mark.parametrize("rate", [16_000_000, 24_000_000, 50_000_000, 100_000_000, 500_000_000])
@pytest.mark.parametrize("mhz", [1, 2])
def test_the_last_sample_with_phase_2_high_is_the_default(
    rate, mhz, random_bus, sampled_bus
) -> None:
    """Timings of the NMOS sheets at 1 and 2 MHz: tADS 225 / 140 ns, hold 10 ns, and read data
    that come 100 / 60 ns before the fall."""
    period = 10**6 // mhz
    cycles = read(
        sampled_bus(
            *random_bus,
            rate=rate,
            period_ps=period,
            ads_ps=225_000 if mhz == 1 else 140_000,
            access_ps=period // 2 - (100_000 if mhz == 1 else 64_000),
            hold_ps=10_000,
        )
    )
    assert right(cycles, random_bus)
    assert abs(cycles.sampling.offset_ps + 10**12 / rate) <= 10**12 / rate


def test_a_clock_lead_that_lags_moves_the_sample_back(random_bus, sampled_bus) -> None:
    """At 100 MS/s a clock seen 30 ns late shows data that are gone 20 ns after the true fall."""
    capture = sampled_bus(*random_bus, rate=100_000_000, hold_ps=12_000, late_ps={"CLK": 35_000})
    cycles = read(capture)
    assert right(cycles, random_bus)
    assert -80_000 <= cycles.sampling.offset_ps <= -30_000
    assert any("before the clock's fall" in note.text for note in cycles.notes)
    assert not (cycles.flags & UNSETTLED).any()


def test_data_that_arrive_late_do_not_move_the_sample_back(random_bus, sampled_bus) -> None:
    """Data 15 ns before the fall are below any setup time, but the byte is there at the fall."""
    capture = sampled_bus(*random_bus, rate=100_000_000, access_ps=485_000, hold_ps=40_000)
    cycles = read(capture)
    assert cycles.sampling.offset_ps == -10_000
    assert right(cycles, random_bus)


def test_late_data_on_a_bus_that_keeps_its_level_do_not_move_the_sample_back(
    random_bus, sampled_bus
):
    """Nothing leaves such a bus: the only changes are arrivals, here 15 ns before the fall."""
    capture = sampled_bus(*random_bus, rate=100_000_000, access_ps=485_000, floats_high=False)
    cycles = read(capture)
    assert cycles.sampling.offset_ps == -10_000
    assert right(cycles, random_bus)


def test_the_rare_early_change_counts_too(random_bus, sampled_bus):
    """Seen 20.1 ns before the fall at 10 ns a sample: two samples early, in one of 100 three."""
    capture = sampled_bus(
        *random_bus,
        rate=100_000_000,
        period_ps=1_003_700,
        hold_ps=12_000,
        late_ps={"CLK": 32_100},
    )
    cycles = read(capture)
    assert cycles.sampling.offset_ps == -40_000
    assert right(cycles, random_bus)


def test_a_change_in_the_sampling_window_is_flagged(random_bus, sampled_bus) -> None:
    late = read(sampled_bus(*random_bus, rate=100_000_000, access_ps=485_000, hold_ps=40_000))
    early = read(sampled_bus(*random_bus, rate=100_000_000, access_ps=300_000, hold_ps=40_000))
    assert (late.flags & UNSETTLED).mean() > 0.3
    assert not (early.flags & UNSETTLED).any()


def test_a_one_sample_jump_before_the_fall_is_undone_and_flagged(
    random_bus, sampled_bus, collapsed
) -> None:
    clean = sampled_bus(*random_bus)
    step = np.arange(int(clean.end_ps * 24 // 10**6) + 1)
    index = np.searchsorted(clean.time_ps, (step * 10**6) // 24, side="right") - 1
    samples = clean.state[index].copy()
    clock = samples & np.uint64(1)
    falls = np.flatnonzero((clock[1:] == 0) & (clock[:-1] == 1)) + 1
    hit = falls[[100, 200, 300]] - 1
    line = np.uint64(clean.lines.index("D3"))
    samples[hit] ^= np.uint64(1) << line
    cycles = read(collapsed(samples, clean.rate, clean.lines))
    flagged = np.flatnonzero(cycles.flags & UNSETTLED).tolist()
    # Floating high after the fall hides the way back where D3 was low before it: the level then
    # stays as seen. The flag is there in any case.
    assert flagged == [100, 200, 300]
    other = [i for i in range(1, len(cycles)) if i not in flagged]
    assert np.array_equal(cycles.data[other], random_bus[1][other])
    for i in flagged:
        if random_bus[1][i] >> 3 & 1:
            assert cycles.data[i] == random_bus[1][i]


def test_the_other_half_cycle_is_taken_before_the_rise(random_bus, sampled_bus) -> None:
    cycles = read(sampled_bus(*random_bus))
    n = len(cycles)
    assert np.array_equal(cycles.other_address[1:], random_bus[0][1:n])
    assert (cycles.other_data[1:] == 0xFF).all()
    assert (cycles.other_address_known == 0xFFFF).all()


def test_a_display_that_has_the_bus_while_phase_2_is_low_disturbs_no_cycle(collapsed) -> None:
    """Its address and byte are kept beside the CPU's."""
    random = np.random.default_rng(4)
    n, samples = 500, 24
    mine, other = (random.integers(0, 1 << 16, n) for _ in range(2))
    byte, shown = (random.integers(0, 256, n) for _ in range(2))
    k, place = np.divmod(np.arange(n * samples), samples)
    address = np.where(place < 3, np.append(mine[:1], mine)[k], other[k])
    address = np.where(place >= 14, mine[k], address)
    data = np.where(place < 1, np.append(byte[:1], byte)[k], shown[k])
    data = np.where(place >= 19, byte[k], data)
    state = (place >= 12).astype(np.uint64) | np.uint64(2)
    state |= address.astype(np.uint64) << np.uint64(2) | data.astype(np.uint64) << np.uint64(18)
    capture = collapsed(state, Fraction(24_000_000))
    cycles = read(capture)
    first = n - len(cycles) - 1
    assert first in (0, 1)
    assert np.array_equal(cycles.address, mine[first : first + len(cycles)])
    assert np.array_equal(cycles.data, byte[first : first + len(cycles)])
    assert np.array_equal(cycles.other_address, other[first : first + len(cycles)])
    assert np.array_equal(cycles.other_data, shown[first : first + len(cycles)])
    # Without the clock line its beat is that of the halves, which the board's rate shows.
    bare = find_cycles(
        capture, identify_hookup(capture, given={"CLK": "-"}), SimpleNamespace(clock_hz=10**6)
    )
    assert "without a steady beat" in bare.reason


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_clock_disturbed_beside_its_fall_is_sampled_before_it(sampled_bus, random_bus, side):
    """One sample of the clock is wrong: low just before the fall, or high just after. Data are
    there for 100 ns before the fall, and go 10 ns after it (R650X sheet, tDSU, tDHR)."""
    step = 10**12 // 50_000_000

    def clock(times):
        level = times % 1_000_000 >= 500_000
        turned = times // 1_000_000 % 50 == 7
        at = times % 1_000_000 // step
        if side == "after":
            return np.where(turned & (at == 1), True, level)
        return np.where(turned & (at == 48), False, level)

    capture = sampled_bus(*random_bus, rate=50_000_000, clock=clock, hold_ps=12_000)
    assert right(read(capture), random_bus)
