"""A suspect with what to do about it."""

from __future__ import annotations

from bustrace.board import Board
from bustrace.diagnosis.advice import tell_apart
from bustrace.diagnosis.checks import check_for
from bustrace.diagnosis.model import Suspect
from bustrace.faults import Fault


def suspected(
    fault: Fault,
    probability: float,
    explains: tuple[str, ...],
    board: Board,
    *,
    against: tuple[str, ...] = (),
    alike: tuple[Fault, ...] = (),
) -> Suspect:
    """A suspect as the others are: checked as its likeliest member is, told apart as its class is.

    The parameters are those of `Suspect`; the board tells pins, sockets and who else is on a net.
    """
    return Suspect(
        fault,
        probability,
        explains,
        against,
        check_for(fault, board),
        alike=alike,
        tell_apart=tell_apart(fault, alike, board),
    )
