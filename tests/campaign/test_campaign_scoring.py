"""The definitions of right, near and missed, on cases made by hand."""

import pytest

from bustrace.campaign.scoring import count_as_two, same_place, score
from bustrace.faults import Fault

A9, A9_BEHIND = Fault.parse("stuck:A9=1@bus"), Fault.parse("stuck:A9=1@behind")
RAM, PLANE, PIN = Fault.parse("silent:U4"), Fault.parse("plane:U4.3"), Fault.parse("stuck:D3=0@U4")
IRQ = Fault.parse("held:IRQ=0")


def judged(truth, answer, *, oracle=None, said_fault=True):
    """Score with oracle classes given by hand: each a set of faults."""
    classes = oracle or []

    def class_of(fault):
        return next((group for group in classes if fault in group), {fault})

    return score(
        truth,
        answer,
        oracle_size=lambda fault, wanted: min(wanted, len(class_of(fault))),
        alike=lambda fault, named: named in class_of(fault),
        said_fault=said_fault,
    )


def test_the_truth_alone_is_right():
    found = judged([RAM], [[RAM]])
    assert (found.right, found.named, found.as_good, found.in_three) == (True,) * 4
    assert (found.place, found.missed, found.size) == (True, False, 1)


def test_a_class_no_larger_than_the_oracles_is_right():
    assert judged([PLANE], [[PIN, PLANE]], oracle=[{PIN, PLANE}]).right


def test_a_class_larger_than_the_oracles_is_not_right():
    found = judged([PLANE], [[PIN, PLANE, RAM]], oracle=[{PIN, PLANE}])
    assert (found.right, found.named, found.size) == (False, True, 3)


def test_a_small_class_without_the_truth_is_not_right_but_may_be_as_good():
    found = judged([PLANE], [[PIN]], oracle=[{PIN, PLANE}])
    assert (found.right, found.named, found.as_good) == (False, False, True)
    assert not judged([PLANE], [[RAM]], oracle=[{PIN, PLANE}]).as_good


@pytest.mark.parametrize(("rank", "seen"), [(0, True), (2, True), (3, False)])
def test_in_three_means_the_first_three_classes(rank, seen):
    answer = [[Fault("clip", (f"A{place}",))] for place in range(5)]
    answer.insert(rank, [RAM])
    found = judged([RAM], answer)
    assert found.in_three is seen
    assert found.right is (rank == 0)


@pytest.mark.parametrize(("rank", "seen"), [(0, True), (3, True), (4, False)])
def test_of_two_faults_each_is_looked_for_in_the_first_four_classes(rank, seen):
    answer = [[IRQ], *([Fault("clip", (f"A{place}",))] for place in range(5))]
    answer.insert(rank, [RAM])
    assert judged([RAM, IRQ], answer).in_three is seen


def test_in_three_a_fault_of_the_oracle_class_will_do():
    alike = [{PIN, PLANE}]
    assert judged([PLANE], [[A9], [PIN]], oracle=alike).in_three
    assert judged([PLANE, IRQ], [[IRQ], [A9], [PIN]], oracle=alike).in_three
    assert not judged([PLANE, IRQ], [[A9], [RAM], [PIN]], oracle=alike).in_three


def test_nothing_named_is_missed_unless_a_fault_is_said():
    assert judged([RAM], [], said_fault=False).missed
    assert not judged([RAM], [], said_fault=True).missed
    assert not judged([RAM], [[A9]], said_fault=False).missed


def test_the_place_is_that_of_the_first_named():
    assert judged([A9], [[A9_BEHIND]]).place
    assert not judged([A9], [[RAM], [A9]]).place


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("stuck:A9=1@bus", "clip:A9", True),
        ("stuck:A9=1@bus", "short:A9+A10@bus", True),
        ("stuck:A9=1@U4", "silent:U4", True),
        ("stuck:CS_U4=1@decoder", "silent:U4", True),
        ("clip:PHI2", "clock:stops", True),
        ("clip:RES", "reset:held", True),
        ("clock:stops", "clock:absent", True),
        ("clock:stops", "reset:held", False),
        ("stuck:A9=1@bus", "stuck:A8=1@bus", False),
        ("silent:U4", "silent:U5", False),
        ("shared:ram-bank", "shared:U2", False),
    ],
)
def test_places_are_nets_and_chips(one, other, same):
    assert same_place(Fault.parse(one), Fault.parse(other)) is same
    assert same_place(Fault.parse(other), Fault.parse(one)) is same


def test_two_faults_are_right_when_each_leads_a_class():
    assert judged([RAM, IRQ], [[IRQ], [RAM]]).right
    assert not judged([RAM, IRQ], [[IRQ], [A9], [RAM]]).right
    assert judged([RAM, IRQ], [[IRQ], [A9], [RAM]]).in_three
    assert not judged([RAM, IRQ], [[IRQ, RAM]]).right
    assert not judged([RAM, IRQ], [[IRQ]]).in_three


def test_each_of_two_is_held_to_its_own_oracle_class():
    assert judged([PLANE, IRQ], [[PLANE, PIN], [IRQ]], oracle=[{PIN, PLANE}]).right
    assert not judged([PLANE, IRQ], [[PLANE], [IRQ, PIN]], oracle=[{PIN, PLANE}]).right


def test_two_count_as_two_only_where_removing_either_changes_the_capture():
    both = {RAM, IRQ}
    assert count_as_two(RAM, IRQ, lambda fault: fault in both) == (RAM, IRQ)
    assert count_as_two(RAM, IRQ, lambda fault: fault == RAM) == (RAM,)
    assert count_as_two(RAM, IRQ, lambda fault: fault == IRQ) == (IRQ,)
    assert len(count_as_two(RAM, IRQ, lambda fault: False)) == 1
