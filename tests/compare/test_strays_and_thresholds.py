"""Single samples are noise; one line alone, now and then, is a marginal level; more is neither."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import boot, read, redrawn, reread, run

from bustrace.compare import compare, compare_rom
from bustrace.reading import Reading, read_boot


@pytest.fixture(scope="module")
def record():
    return run(cycles=2500)


@pytest.fixture(scope="module")
def good(record):
    return read(record)


def blurred(reading: Reading, line: str, level: int) -> Reading:
    """The same boot as another threshold sees it: a line at a level in one cycle of twenty."""
    rng = np.random.default_rng(11)
    count = len(reading.cycles)
    cycles = np.flatnonzero((rng.random(count) < 0.05) & (np.arange(count) > 30))
    return reread(reading, line, level, cycles.tolist())


@pytest.mark.slow
@pytest.mark.parametrize("line", ["A2", "A14", "RW", "CS_ROM", "CS_RAM"])
@pytest.mark.parametrize("level", [0, 1])
def test_two_captures_of_one_boot_that_differ_in_one_lines_level_name_it(record, good, line, level):
    found = compare(good, blurred(read(record, seed=9), line, level))
    named = {"CS_ROM": "CS_U5", "CS_RAM": "CS_U4"}.get(line, line)
    assert (found.first.blame, found.first.lines) == ("marginal", (named,))
    assert found.first.chips == ()


@pytest.mark.slow
@pytest.mark.parametrize("line", ["D3", "D7"])
def test_a_data_line_is_named_too(record, good, line):
    """What the CPU read cannot be known there, so that the chip may have given it."""
    found = compare(good, blurred(read(record, seed=9), line, 1))
    assert found.first.lines == (line,)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["cell:U4.0012.3=1", "plane:U4.3", "stuck:A9=1@bus"])
def test_a_fault_that_is_there_each_time_is_no_marginal_level(good, fault):
    """A bad cell is one address, a dead output wrong each time, a stuck line never right."""
    first = compare(good, boot(fault, cycles=2500)).first
    assert first is None or first.blame != "marginal"


def spike(reading: Reading, line: str, cycle: int, before_ps: int, samples: int) -> Reading:
    """One line the other way round for some samples."""
    step = 41_667
    begin = int(reading.cycles.time_ps[cycle]) - before_ps
    spans = [(begin, begin + samples * step - step // 2)]
    return read_boot(redrawn(reading.capture, line, spans, None), reading.board)


def test_a_single_sample_on_a_select_or_a_bus_is_noise(good):
    """At the sampling point, in the read window, on a line that is judged."""
    ram = int(np.flatnonzero((good.cycles.select("U4") == 0) & (good.cycles.select("U5") == 1))[99])
    for line in ("CS_RAM", "D4", "A7"):
        bad = spike(good, line, ram, 45_000, 1)
        for found in (compare(good, bad), compare_rom(bad)):
            assert found.verdict == "no divergence", (line, found.first)


def test_a_level_that_stands_longer_counts(good):
    """A select for three samples in the second half of phase 2 high."""
    ram = int(np.flatnonzero((good.cycles.select("U4") == 0) & (good.cycles.select("U5") == 1))[99])
    assert compare(good, spike(good, "CS_RAM", ram, 180_000, 3)).first.lines == ("CS_U4",)


def test_noise_in_the_good_boot_excuses_no_chip(record, good):
    """One stray sample in a read of U5 does not stop U5 from being judged."""
    rom = int(np.flatnonzero(good.cycles.select("U5") == 1)[300])
    noisy = spike(good, "D4", rom, 45_000, 1)
    found = compare(noisy, boot("plane:U5.1", seed=9, cycles=2500))
    assert found.first is not None
    assert found.first.chips == ("U5",)
    assert not any(words.startswith("U5:") for words in found.not_compared)
