"""Following again behind a stretch that is no program, where a search of it is certain."""

import numpy as np
import pytest

from bustrace.program import recover_program

NOISE = 3000


@pytest.fixture(scope="module")
def with_noise(interrupts_trace):
    """A recording, 3,000 cycles of noise, and more of the recording."""
    rng = np.random.default_rng(6502)
    used = np.concatenate([np.arange(2000), np.arange(20_000, 28_000)])
    joined = {name: column[used].copy() for name, column in interrupts_trace.items()}
    for name, high in (("addr", 0x10000), ("data", 0x100), ("rw", 2)):
        noise = rng.integers(0, high, NOISE).astype(joined[name].dtype)
        joined[name] = np.insert(joined[name], 2000, noise)
    for name in ("sync", "res", "irq", "nmi", "rdy"):
        joined[name] = np.insert(joined[name], 2000, np.ones(NOISE, joined[name].dtype))
    return joined


@pytest.mark.slow
def test_the_program_is_followed_again_after_noise(with_noise, clip):
    program = recover_program(clip(with_noise, pins=("RW",)))
    assert program.lost_at is None
    intent = program.intent
    after = slice(2000 + NOISE + 300, None)
    known = intent.address_known[after] == 0xFFFF
    assert known.mean() > 0.995
    assert (intent.rw[after][known] == with_noise["rw"][after][known]).all()
    assert (intent.address[after][known] == with_noise["addr"][after][known]).all()
    rows = program.first_cycle >= after.start
    assert program.searched[rows].mean() < 0.005
    assert (program.registers_known[rows][-500:, :4] == 0xFF).all()


@pytest.mark.slow
def test_nothing_is_executed_in_the_noise(with_noise, clip):
    program = recover_program(clip(with_noise, pins=("RW",)))
    assert (program.intent.rw[2100 : 2000 + NOISE - 100] == 2).all()


@pytest.mark.slow
def test_without_addresses_what_was_searched_for_stays_unexecuted(with_noise, clip):
    """Too little tells that each cycle is what the CPU meant."""
    program = recover_program(clip(with_noise, pins=("RW",), address_mask=0x7F))
    assert (program.intent.rw[2100 : 2000 + NOISE - 100] == 2).all()
    assert program.lost_at is not None
