"""The table of `benchmarks/recover_program.py`, small: programs of our own on two CPU parts.

The truth is where the executor fetches; that it runs as py65 does is in `test_registers`. Prices
were fitted on chip traces of the NMOS 6502, so both parts and all these programs are new to them.
"""

from __future__ import annotations

import numpy as np
import pytest
from own_programs import at_random, run
from recover_program import cell, own

from bustrace.cpu import variant_named

LENGTH = 5000
LEAST = {
    # row, lines: found at least, false at most, in per cent.
    ("clean", "A16+D8+RW"): (99.9, 0.1),
    ("clean", "A0-3+D8+RW"): (99.9, 0.1),
    ("clean", "D8+RW"): (99.6, 0.4),
    ("clean", "D8"): (99.6, 0.4),
    ("bit errors", "A16+D8+RW"): (99.6, 0.4),
    ("missing", "A16+D8+RW"): (99.5, 0.5),
    ("missing", "D8+RW"): (98.5, 1.5),
    ("waits", "A16+D8+RW"): (99.3, 0.8),
}
"""Single runs of so few instructions scatter; the benchmark's own figures are tighter."""


@pytest.fixture(scope="module", params=["6502", "W65C02S"])
def programs(request):
    return request.param, own(request.param, seed=7, n=LENGTH)


@pytest.mark.slow
@pytest.mark.parametrize(("row", "lines"), LEAST)
def test_fetches_of_own_programs_are_found(programs, row, lines):
    """Interrupts and NMIs included; from the reset on."""
    variant, truths = programs
    found_least, false_most = LEAST[row, lines]
    tally = cell(truths, row, lines, 1, variant)
    assert tally.true > 2000
    assert 100 * tally.found / tally.true >= found_least
    assert 100 * tally.false / tally.true <= false_most


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
def test_random_programs_use_every_documented_opcode_and_interrupts(variant):
    """But STP, which ends a program; what the drawn programs lack would be no test."""
    seen, vectors = set(), set()
    for seed in range(16):
        truth = run(variant, at_random(variant, seed), 6000, seed)
        seen |= set(truth["data"][truth["sync"] == 1].tolist())
        vectors |= set(truth["addr"][truth["addr"] >= 0xFFFA].tolist())
    listed = {o.opcode for o in variant_named(variant).opcodes() if o.documented}
    stops = set(variant_named(variant).opcodes_of("STP"))
    missing = listed - seen - stops
    assert not missing, [f"{code:02X}" for code in sorted(missing)]
    assert vectors == {*range(0xFFFA, 0x10000)}


def test_a_program_of_a_seed_is_always_the_same():
    """Else a figure with its seed could not be measured again."""
    assert at_random("6502", 4) == at_random("6502", 4)
    assert at_random("6502", 4) != at_random("6502", 5)
    first, second = (run("6502", at_random("6502", 4), 500, 9) for _ in range(2))
    for name, column in first.items():
        np.testing.assert_array_equal(column, second[name])
