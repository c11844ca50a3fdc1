"""Both timelines side by side: what stands beside what."""

import pytest
from drill_readings import boot

from bustrace.compare import compare, compare_rom, steps_around
from bustrace.program import Kind


@pytest.fixture(scope="module")
def good():
    return boot(seed=5, cycles=2500)


@pytest.fixture(scope="module")
def found(good):
    return compare(good, boot("open:A1@U4", seed=6, cycles=2500))


def test_the_divergence_is_one_step_with_both_cycles(found):
    steps = steps_around(found)
    hit = [step for step in steps if step.diverges]
    assert [(step.bad, step.good) for step in hit] == [(found.first.cycle, found.first.good_cycle)]
    assert hit[0].differs == ("data",)
    assert not hit[0].apart


def test_steps_are_in_order_and_whole(found):
    """No cycle twice, none left out but waits."""
    bad = [step.bad for step in steps_around(found) if step.bad is not None]
    assert bad == list(range(bad[0], bad[-1] + 1))
    good = [step.good for step in steps_around(found) if step.good is not None]
    assert good == sorted(set(good))


def test_after_the_ways_parted_the_good_boot_goes_on_beside(good):
    """The bad boot runs wild; beside it stands what the good one ran then, marked as apart."""
    found = compare(good, boot("plane:U5.1", seed=9, cycles=2500))
    steps = steps_around(found, after=8)
    apart = [step for step in steps if step.apart]
    assert apart
    assert all(step.differs == () for step in apart)
    assert [step.good for step in apart if step.good is not None]


def test_healthy_boots_stand_beside_each_other_from_the_reset_vector(good):
    other = boot(seed=8, cycles=2500)
    found = compare(good, other)
    steps = steps_around(found, before=1, after=3)
    vector = [step for step in steps if step.bad is not None and
              other.cycles.address[step.bad] == 0xFFFC]  # fmt: skip
    assert [good.cycles.address[step.good] for step in vector] == [0xFFFC]
    assert not any(step.apart or step.diverges for step in steps)
    assert other.program.kind[other.program.row_of(vector[0].bad)] == Kind.RESET


def test_with_the_image_alone_there_is_no_good_cycle():
    steps = steps_around(compare_rom(boot("plane:U5.1", seed=9)))
    assert steps
    assert {step.good for step in steps} == {None}
    assert sum(step.diverges for step in steps) == 1


def test_nothing_to_show_without_a_program(good):
    assert steps_around(compare(good, boot("clock:absent", seed=6))) == ()
