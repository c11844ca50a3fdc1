"""Sampled captures stay inside the makers' limits and show the truth where one should look."""

from fractions import Fraction

import numpy as np
import pytest

from bustrace.drill import CPU_DRIVES, limits_for, line_names, sample, simulate, waveform
from bustrace.faults import Fault
from bustrace.units import PS_PER_SECOND

ADDRESS = [f"A{bit}" for bit in range(16)]
DATA = [f"D{bit}" for bit in range(8)]
NS = 1000

# Rockwell R650X/R651X sheet, document 29000D39 revision 8 (June 1987), page 13, 1 and 2 MHz;
# Synertek SY6500 data-book sheet, page 3-39, 4 MHz. In ns: tADS and tRWS max, tAH min, tDSU min,
# tDHR min, tMDS max, tDHW min, phase 2 high min.
MAKERS = {
    1_000_000: (225, 30, 100, 10, 175, 30, 460),
    2_000_000: (140, 30, 50, 10, 100, 30, 240),
    4_000_000: (90, 10, 50, 10, 70, 20, 110),
}


@pytest.fixture(scope="module")
def record(tide_gauge):
    return simulate(tide_gauge, cycles=2500, seed=9)


def changes(wave, line):
    """Times at which a line's level really changes; of several levels at one instant the last."""
    times, levels = wave.lines[line]
    holds = np.append(times[1:] != times[:-1], True)
    times, levels = times[holds], levels[holds].astype(int)
    return times[np.flatnonzero(np.diff(levels)) + 1]


def into_cycle(wave, times):
    """Cycle and time since the fall that began it, for times within the run."""
    times = times[(times > wave.fall_ps[0]) & (times < wave.fall_ps[-1])]
    cycle = np.searchsorted(wave.fall_ps, times, side="right") - 1
    return cycle, times - wave.fall_ps[cycle]


@pytest.mark.parametrize("clock", MAKERS)
@pytest.mark.parametrize("seed", range(1, 7))
def test_every_edge_lies_inside_the_makers_limits(tide_gauge, clock, seed):
    """Address, R/W, SYNC, read and write data against the sheets named above."""
    delay, hold, setup, read_hold, write_delay, write_hold, high = (
        value * NS for value in MAKERS[clock]
    )
    record = simulate(tide_gauge, cycles=1500, seed=seed, clock_hz=Fraction(clock))
    wave = waveform(record, seed=seed, transients=0.5)
    width = wave.fall_ps[1:] - wave.rise_ps
    assert width.min() >= high - 1 * NS
    for line in (*ADDRESS, "RW", "SYNC"):
        _, since = into_cycle(wave, changes(wave, line))
        assert since.min() >= hold
        assert since.max() <= delay
    by_cpu = record.drivers & CPU_DRIVES != 0
    read_changes = 0
    for line in DATA:
        cycle, since = into_cycle(wave, changes(wave, line))
        until = wave.fall_ps[cycle + 1] - wave.fall_ps[cycle] - since
        writing = by_cpu[cycle]
        after_write = (cycle > 0) & by_cpu[np.maximum(cycle - 1, 0)]
        read_changes += int((~writing).sum())
        assert until[~writing].min() >= setup
        assert since[~after_write].min() >= read_hold
        assert since[after_write].min() >= write_hold
        late = since[writing] - (wave.rise_ps[cycle] - wave.fall_ps[cycle])[writing]
        assert late.max() <= write_delay
    assert read_changes > 1000


def last_high_sample(capture):
    """State in the last sample with phase 2 high of each whole cycle, by brute force."""
    clock = capture.levels("PHI2")
    ends = np.flatnonzero((clock[:-1] == 1) & (clock[1:] == 0))
    return capture.state[ends]


def column(capture, states, lines):
    value = np.zeros(len(states), np.int64)
    for place, line in enumerate(lines):
        bit = np.uint64(capture.lines.index(line))
        value |= (states >> bit & np.uint64(1)).astype(np.int64) << place
    return value


@pytest.mark.parametrize("seed", range(4))
def test_two_chips_that_drive_at_once_are_as_late_as_the_slower_one(tide_gauge, seed):
    """They answer side by side (common practice)."""
    sound = simulate(tide_gauge, cycles=1500, seed=seed)
    fights = simulate(tide_gauge, cycles=1500, seed=seed, faults=[Fault.parse("always:U4")])
    assert (fights.drives("U4") & fights.drives("U5")).any()
    assert latest_read(fights, seed) <= latest_read(sound, seed) + 5 * NS


def latest_read(record, seed):
    """Time into its cycle, ps, at which the latest byte of all reads stands."""
    wave = waveform(record, seed=seed)
    cycle, into = into_cycle(wave, np.concatenate([changes(wave, line) for line in DATA]))
    return into[record.rw[cycle] == 1].max()


@pytest.mark.parametrize("rate", [16_000_000, 24_000_000, 50_000_000, 100_000_000])
def test_last_sample_with_phase_2_high_gives_the_truth(record, rate):
    """Common practice for timing captures; 9.1 MS/s would do at 1 MHz (tDSU + tDHR)."""
    capture = sample(record, rate=rate, seed=rate)
    states = last_high_sample(capture)
    n = len(states)
    # The recording starts within cycle 0 and ends within the last.
    assert len(record) - 2 <= n <= len(record)
    truth = record
    assert np.array_equal(column(capture, states, ADDRESS), truth.clip_address[:n])
    assert np.array_equal(column(capture, states, DATA), truth.clip_data[:n])
    for line, levels in (("RW", truth.rw), ("SYNC", truth.sync), ("RES", truth.res)):
        assert np.array_equal(column(capture, states, [line]), levels[:n])
    assert np.array_equal(column(capture, states, ["CS_ROM"]), 1 - truth.selected("U5")[:n])
    assert np.array_equal(column(capture, states, ["CS_RAM"]), 1 - truth.selected("U4")[:n])


def test_select_gated_with_phase_2_rests_while_it_is_low(record):
    wave = waveform(record, seed=1)
    times, levels = wave.lines["CS_RAM"]
    cycle, since = into_cycle(wave, times[levels == 0])
    assert (since > (wave.rise_ps - wave.fall_ps[:-1])[cycle]).all()
    _, ungated = into_cycle(wave, changes(wave, "CS_ROM"))
    assert ungated.max() < (wave.rise_ps - wave.fall_ps[:-1]).min()


def test_recording_matches_a_plain_sampler(record):
    """Each row shows the last level taken before it, looked up one by one.

    The instant of sample 0 is not told; the falls of phase 2, which a rate incommensurable with
    the clock meets in every phase, pin it down to less than a nanosecond.
    """
    capture = sample(record, rate=24_123_457, seed=4, skew_ps=0)
    wave = waveform(record, seed=4)
    clock = capture.levels("PHI2").astype(int)
    falls = capture.time_ps[np.flatnonzero(np.diff(clock) == -1) + 1]
    shift = wave.fall_ps[1 : len(falls) + 1] - falls
    earliest, latest = shift.max(), shift.min() + PS_PER_SECOND / capture.rate
    assert 0 <= latest - earliest < NS
    compared = 0
    for line in ("A0", "A9", "D3", "RW", "SYNC", "CS_RAM"):
        times, levels = wave.lines[line]
        seen = capture.levels(line)
        first = np.searchsorted(times, capture.time_ps + int(earliest) - 2, "right") - 1
        last = np.searchsorted(times, capture.time_ps + int(latest) + 2, "right") - 1
        sure = first == last
        compared += int(sure.sum())
        assert np.array_equal(seen[sure], levels[first[sure]])
    assert compared > 0.9 * 6 * len(capture)


def test_sampling_is_decided_by_the_seed(record):
    one, again, other = (sample(record, rate=24_000_000, seed=seed) for seed in (3, 3, 4))
    assert one.same_as(again)
    assert not one.same_as(other)


def test_lines_are_those_asked_for_in_that_order(record):
    chosen = ("SYNC", "PHI2", "CS_ROM", "D0")
    capture = sample(record, rate=16_000_000, seed=1, lines=chosen)
    assert capture.lines == chosen
    whole = sample(record, rate=16_000_000, seed=1)
    assert whole.lines == line_names(record)


def test_recording_may_start_in_the_midst(record):
    capture = sample(record, rate=24_000_000, seed=6, start_cycle=1000)
    states = last_high_sample(capture)
    assert column(capture, states, ADDRESS)[0] == record.clip_address[1000]


def test_late_clock_rests_before_it_starts(record):
    capture = sample(record, rate=24_000_000, seed=6, lead_cycles=50)
    clock = capture.levels("PHI2")
    first_edge = capture.time_ps[np.flatnonzero(np.diff(clock.astype(int)))[0] + 1]
    assert 48_000 * NS < first_edge < 51_000 * NS


def test_chatter_on_reset_is_short_and_only_near_its_edge(record):
    capture = sample(record, rate=100_000_000, seed=6, chatter=3)
    edges = capture.time_ps[1:][np.diff(capture.levels("RES").astype(int)) != 0]
    assert len(edges) == 1 + 2 * 3
    assert edges[-1] - edges[0] < 5_000 * NS
    plain = sample(record, rate=100_000_000, seed=6)
    assert (np.diff(plain.levels("RES").astype(int)) != 0).sum() == 1


def test_transients_show_false_addresses_before_the_right_one(record):
    def moves(share):
        wave = waveform(record, seed=2, transients=share)
        return sum(len(changes(wave, line)) for line in ADDRESS)

    assert moves(0.5) > moves(0.0)


def test_noise_flips_single_samples_at_the_asked_rate(record):
    clean = sample(record, rate=24_000_000, seed=7, lines=("PHI2", "NMI"))
    noisy = sample(record, rate=24_000_000, seed=7, lines=("PHI2", "NMI"), noise=0.001)
    assert not clean.same_as(noisy)
    flips = (np.diff(noisy.levels("NMI").astype(int)) != 0).sum() / 2
    samples = clean.duration_ps * 24 / 10**6
    assert 0.5 < flips / (samples * 0.001) < 2


def test_trigger_sample_has_time_zero(record):
    capture = sample(record, rate=24_000_000, seed=7, trigger=240)
    assert capture.start_ps == -10_000 * NS


@pytest.mark.parametrize(
    ("fault", "line", "level"),
    [
        ("stuck:A10=1@bus", "A10", 1),
        ("stuck:D0=0@bus", "D0", 0),
        ("clip:PHI2", "PHI2", None),
        ("clip:CS_ROM", "CS_ROM", None),
        ("stuck:CS_ROM=1@decoder", "CS_ROM", 1),
        ("held:IRQ=0", "IRQ", 0),
        ("reset:held", "RES", 0),
    ],
)
def test_line_that_cannot_move_does_not_move(tide_gauge, fault, line, level):
    capture = sample(simulate(tide_gauge, cycles=800, faults=[fault]), rate=24_000_000)
    levels = np.unique(capture.levels(line))
    assert len(levels) == 1
    assert level is None or levels[0] == level


def test_shorted_lines_are_never_seen_apart(tide_gauge):
    run = simulate(tide_gauge, cycles=800, faults=["short:A2+A3@bus"])
    capture = sample(run, rate=100_000_000, transients=1.0)
    assert np.array_equal(capture.levels("A2"), capture.levels("A3"))


@pytest.mark.parametrize("level_seed", [0, 1, 2])
def test_stopped_clock_rests_until_the_end(tide_gauge, level_seed):
    run = simulate(tide_gauge, cycles=900, seed=level_seed, faults=["clock:stops"], stop_after=300)
    capture = sample(run, rate=24_000_000, seed=1)
    clock = capture.levels("PHI2")
    edges = np.flatnonzero(np.diff(clock.astype(int))) + 1
    assert capture.end_ps - capture.time_ps[edges[-1]] > 590_000 * NS
    assert clock[-1] == run.rest_level
    assert (np.diff(clock.astype(int)) == -1).sum() == 300


def test_absent_clock_never_moves_while_reset_is_let_go(tide_gauge):
    capture = sample(simulate(tide_gauge, cycles=900, faults=["clock:absent"]), rate=24_000_000)
    assert len(np.unique(capture.levels("PHI2"))) == 1
    assert capture.duration_ps > 890_000 * NS
    assert capture.levels("RES").tolist() == [0, 1]


def test_impossible_requests_are_refused(record):
    with pytest.raises(ValueError, match="no line 'A16'"):
        sample(record, rate=24_000_000, lines=("A16",))
    with pytest.raises(ValueError, match="not in a run"):
        sample(record, rate=24_000_000, start_cycle=2500)
    with pytest.raises(ValueError, match="samples"):
        sample(record, rate=10**11)


@pytest.mark.parametrize("clock", MAKERS)
def test_limits_are_within_the_makers(clock):
    limits, (delay, hold, setup, read_hold, write_delay, write_hold, high) = (
        limits_for(Fraction(clock)),
        (value * NS for value in MAKERS[clock]),
    )
    assert limits.address_delay <= delay
    assert limits.address_hold >= hold
    assert limits.read_setup >= setup
    assert limits.read_hold >= read_hold
    assert limits.write_delay <= write_delay
    assert limits.write_hold >= write_hold
    assert limits.high >= high


@pytest.mark.parametrize("clock", [20_000, 5_000_000])
def test_clocks_no_nmos_part_takes_are_refused(clock):
    """tCYC is 40 us at most, 250 ns at least (SY6500 sheet, page 3-39)."""
    with pytest.raises(ValueError, match="NMOS 6502"):
        limits_for(Fraction(clock))
