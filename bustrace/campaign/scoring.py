"""The definitions: what is right, what is near, what was missed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from bustrace.faults import SELECT, Fault

FIRST, FIRST_OF_TWO = 3, 4
"""Classes that a technician reads, where one fault is to be found, and where two are."""

MOST_COMPARED = 6
"""Faults of a class that are held against the truth's oracle class where the truth itself is not
named."""

Classes = Sequence[Sequence[Fault]]
"""An answer: classes of faults that it cannot tell apart, the likeliest class first."""


@dataclass(frozen=True, slots=True)
class Score:
    """How good an answer is.

    Attributes
    ----------
    right : bool
        The first class contains the truth and is no larger than the oracle class. Of two faults:
        so does the first class with one of them, and the second with the other.
    named : bool
        The first class contains the truth, however large it is; of two: the first two classes do.
    as_good : bool
        The first class contains a fault of the oracle class, be it the truth or another; of
        several faults: of one of them.
    in_three : bool
        One of the first three classes contains a fault of the oracle class; of two faults: one of
        the first four, for each.
    place : bool
        The first fault named is of the same net or the same chip as the truth, or as one of two.
    missed : bool
        Nothing is named and no fault is said.
    size : int
        Faults in the first class.
    """

    right: bool
    named: bool
    as_good: bool
    in_three: bool
    place: bool
    missed: bool
    size: int


def score(
    truth: Sequence[Fault],
    answer: Classes,
    *,
    oracle_size: Callable[[Fault, int], int],
    alike: Callable[[Fault, Fault], bool],
    said_fault: bool,
) -> Score:
    """Judge an answer.

    Parameters
    ----------
    truth : sequence of Fault
        One fault, or two that both change the capture.
    answer : sequence of sequences of Fault
    oracle_size : function (fault, wanted) to int
        Size of the oracle class of one of the faults, or any number from `wanted` on when it is
        that large at least: it need not be worked out further.
    alike : function (fault, named) to bool
        Whether a named fault belongs to the oracle class of the true one.
    said_fault : bool
        Whether the answer says that there is a fault at all.
    """
    alike = cache(alike)  # the first class is looked at twice, and each look is a simulation
    classes = [tuple(group) for group in answer]
    first = classes[0] if classes else ()
    leading = _leading(truth, classes)
    right = leading is not None and all(
        len(group) <= 1 or len(group) <= oracle_size(fault, len(group)) for fault, group in leading
    )
    return Score(
        right=right,
        named=leading is not None,
        as_good=any(_as_good(fault, [first], alike) for fault in truth),
        in_three=all(_as_good(fault, first_classes(truth, classes), alike) for fault in truth),
        place=bool(first) and any(same_place(fault, first[0]) for fault in truth),
        missed=not classes and not said_fault,
        size=len(first),
    )


def _as_good(fault: Fault, classes: Classes, alike: Callable[[Fault, Fault], bool]) -> bool:
    """Whether one of these classes contains a fault of the oracle class."""
    return any(fault in group for group in classes) or any(
        alike(fault, named) for group in classes for named in group[:MOST_COMPARED]
    )


def first_classes(truth: Sequence[Fault], classes: Classes) -> Classes:
    """The classes that a technician reads where so many faults are to be found."""
    return classes[: FIRST if len(truth) == 1 else FIRST_OF_TWO]


def same_place(one: Fault, other: Fault) -> bool:
    """Whether two faults lie on one net or at one chip; a select's net is its chip's."""
    return bool(_spots(one) & _spots(other))


def _spots(fault: Fault) -> set[str]:
    spots = {line.removeprefix(SELECT) for line in fault.lines} | set(fault.chips)
    if fault.family in ("clock", "reset", "shared"):
        spots.add(f"{fault.family}:{fault.chip}" if fault.family == "shared" else fault.family)
    named = {"PHI2": "clock", "RES": "reset"}
    return {named.get(spot, spot).casefold() for spot in spots}


def _leading(
    truth: Sequence[Fault], classes: Sequence[tuple[Fault, ...]]
) -> list[tuple[Fault, tuple[Fault, ...]]] | None:
    """Each true fault with the class that holds it, among as many first classes; else None."""
    leading = []
    left = list(classes[: len(truth)])
    for fault in truth:
        group = next((group for group in left if fault in group), None)
        if group is None:
            return None
        left.remove(group)
        leading.append((fault, group))
    return leading


def count_as_two(
    first: Fault, second: Fault, differs: Callable[[Fault], bool]
) -> tuple[Fault, ...]:
    """Faults of a pair that count: both where removing either changes the capture.

    `differs(fault)` tells whether the capture changes when that fault is removed. Where only one
    matters it alone is the truth. Where neither matters by itself, each hides the other, and the
    first stands for both.
    """
    if not differs(first):
        return (second,)
    return (first, second) if differs(second) else (first,)
