"""Where the bus rests there is no program to be found, and what surrounds the rest is."""

import numpy as np
import pytest
from own_programs import Pulses, at_random, run
from recover_program import chosen, clipped, with_errors, without_waits

from bustrace.program import _kernels
from bustrace.program.rests import inside_rests
from bustrace.program.search import recover

NAMELESS = (_kernels.BY_NOTHING, _kernels.BY_STAYING, _kernels.BY_RESET)


@pytest.fixture(scope="module")
def waiting():
    """A program of a CPU that waits for interrupts much of its time."""
    for seed in range(20):
        truth = run("W65C02S", at_random("W65C02S", seed), 6000, seed, Pulses(irq=900, nmi=0))
        truth = without_waits({name: column[10:] for name, column in truth.items()}, "W65C02S")
        begins = np.flatnonzero(truth["begins"])
        if np.diff(begins).max() > 600:
            longest = int(np.argmax(np.diff(begins)))
            return truth, int(begins[longest]), int(begins[longest + 1])
    raise AssertionError("no program waits")


def told(found):
    return found.first_cycle[~np.isin(found.edge, NAMELESS)]


@pytest.mark.slow
@pytest.mark.parametrize("lines", [(0xFFFF, 0xFF, True), (0xF, 0xFF, True), (0, 0xFF, True)])
def test_of_a_wait_alone_no_instruction_is_told(waiting, lines):
    """But for the few cycles at its end, which may be the beginning of another thing."""
    truth, begin, end = waiting
    part = chosen(truth, np.arange(begin + 10, end - 10))
    assert len(told(recover(clipped(part, *lines), "W65C02S"))) <= 3


@pytest.mark.slow
@pytest.mark.parametrize("lines", [(0xFFFF, 0xFF, True), (0, 0xFF, True)])
def test_around_a_wait_the_program_is_found(waiting, lines):
    """Rows before the wait, and the interrupt that ends it, are where the CPU fetched."""
    truth, begin, end = waiting
    part = chosen(truth, np.arange(begin - 800, end + 200))
    found = recover(clipped(part, *lines), "W65C02S")
    real = np.flatnonzero(part["begins"])
    assert np.isin(told(found), real).mean() > 0.98
    assert np.isin(real, told(found)).mean() > 0.98
    assert (np.diff(found.first_cycle) > 0).all()


@pytest.mark.slow
def test_noise_does_not_break_a_rest(waiting):
    """A bit in a thousand wrong: what is between the wrong cycles is still a rest."""
    truth, begin, end = waiting
    part = chosen(truth, np.arange(begin + 10, end - 10))
    noisy = with_errors(clipped(part, 0xFFFF, 0xFF, True), np.random.default_rng(3), 0.001)
    assert (noisy.packed()[1:] != noisy.packed()[:-1]).sum() > 10
    assert inside_rests(noisy.packed())[8:-8].all()


def test_a_program_never_rests():
    """No cycle of one that runs is left out, whatever is captured of it."""
    truth = run("6502", at_random("6502", 3), 3000, 3)
    truth = {name: column[10:] for name, column in truth.items()}
    for lines in ((0xFFFF, 0xFF, True), (0, 0xFF, False), (0xFFFF, 0, True)):
        assert not inside_rests(clipped(truth, *lines).packed()).any()


def test_no_operations_in_a_row_are_a_program_where_only_data_shows():
    """With addresses it is plain that they stand still."""
    truth = {"addr": np.full(80, 0x8000), "data": np.full(80, 0xEA), "rw": np.ones(80, np.int64)}
    assert not inside_rests(clipped(truth, 0, 0xFF, True).packed()).any()
    assert inside_rests(clipped(truth, 0xF, 0xFF, True).packed())[:77].all()
    truth["data"] = np.full(80, 0xE8)
    assert inside_rests(clipped(truth, 0, 0xFF, True).packed())[:77].all()


def test_writes_and_a_held_reset_are_no_rest():
    """The same byte written again and again is shown by no CPU that rests; RES has its own row."""
    truth = {name: np.zeros(100, np.int64) for name in ("addr", "data", "rw")}
    assert not inside_rests(clipped(truth, 0xFFFF, 0xFF, True).packed()).any()
    truth["rw"] += 1
    seen = clipped(truth, 0xFFFF, 0xFF, True)
    assert inside_rests(seen.packed()).tolist() == [True] * 97 + [False] * 3
    seen.held[:] = True
    assert not inside_rests(seen.packed()).any()


def test_nothing_captured_is_no_rest_and_no_error():
    assert len(inside_rests(np.zeros(0, np.int64))) == 0
