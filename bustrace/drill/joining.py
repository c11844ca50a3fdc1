"""Lines of two groups that touch: an address line with a data line, or with a control line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bustrace.drill.model import Join
from bustrace.drill.nets import group_of_line

if TYPE_CHECKING:
    from bustrace.drill.layout import Bank
    from bustrace.drill.running import Answer, Run

_CONTROL = ("IRQ", "NMI", "RDY")
_ROUNDS = 4
"""A chip's byte can change the address that chose it: after so many rounds it is as it is."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """Two lines of different groups that touch.

    Attributes
    ----------
    first, second : (str, int)
        Group, or name of a control line, and bit.
    wins : int or None
        Level that wins; None: `leads` does.
    leads : int
        The line, 0 or 1, whose driver is the stronger.
    """

    first: tuple[str, int]
    second: tuple[str, int]
    wins: int | None
    leads: int

    @classmethod
    def of(cls, join: Join) -> Crossing:
        """Two joined lines."""
        first, second = (_side(line) for line in join.lines)
        wins = {"low": 0, "high": 1}.get(join.wins)
        return cls(first, second, wins, int(join.wins == join.lines[1]))

    def level(self, levels: tuple[int, int], weak: tuple[bool, bool]) -> int:
        """What both lines take; a weak one, which a resistor holds, gives way."""
        if weak[0] != weak[1]:
            return levels[int(weak[0])]
        if self.wins is None:
            return levels[self.leads]
        return max(levels) if self.wins else min(levels)


@dataclass(slots=True)
class Met:
    """A cycle, settled.

    Attributes
    ----------
    address, rw : int
    control : (int, int, int)
        IRQ, NMI, RDY.
    answer : Answer
    data : (int, int, int, int)
        Byte at the CPU's pins, at the clip, behind, and what the CPU took or gave.
    """

    address: int
    rw: int
    control: tuple[int, int, int]
    answer: Answer
    data: tuple[int, int, int, int]


def _side(line: str) -> tuple[str, int]:
    group, bit = group_of_line(line)
    return (group, bit) if group is not None else (line, 0)


def settle_crossings(
    run: Run, address: int, rw: int, bank: Bank, k: int, control: tuple[int, int, int]
) -> Met:
    """Let the lines pull at each other until nothing changes any more.

    Parameters
    ----------
    run : Run
    address, rw : int
        As the CPU, or a display, means them.
    bank : Bank
    k : int
        Cycle.
    control : (int, int, int)
        IRQ, NMI and RDY as they would be.
    """
    seen = Met(address, rw, control, run.answer(address, [], bank.inner, k), (0, 0, 0, 0))
    for _ in range(_ROUNDS):
        role = run.layout.roles(seen.rw, bank.answering[seen.rw][seen.address])[0]
        seen.answer = run.answer(seen.address, role, bank.inner, k)
        seen.data = run.transfer(rw, seen.answer)
        before = seen.address, seen.rw
        _pull(run, seen, address, rw, control)
        if (seen.address, seen.rw) == before:
            break
    return seen


def _pull(run: Run, seen: Met, address: int, rw: int, control: tuple[int, int, int]) -> None:
    """Give both lines of each crossing the level that wins, from what their drivers mean."""
    words = {"address": address, "rw": rw, "data": seen.data[0]}
    words |= dict(zip(_CONTROL, control, strict=True))
    for crossing in run.crossings:
        sides = (crossing.first, crossing.second)
        first, second = (words[name] >> bit & 1 for name, bit in sides)
        weak = (_is_weak(sides[0], first, rw, seen), _is_weak(sides[1], second, rw, seen))
        level = crossing.level((first, second), weak)
        for name, bit in sides:
            words[name] = words[name] & ~(1 << bit) | level << bit
    seen.address, seen.rw = words["address"], words["rw"]
    seen.control = (words["IRQ"], words["NMI"], words["RDY"])
    near = words["data"]
    changed = near ^ seen.data[0]
    clip = seen.data[1] & ~changed | near & changed
    given = near if rw else seen.data[3]
    far = seen.data[2] & ~changed | near & changed
    seen.data = (near, clip, far, given)


def _is_weak(side: tuple[str, int], level: int, rw: int, seen: Met) -> bool:
    """Pulled-up control inputs at rest, and data lines that nobody drives."""
    if side[0] in _CONTROL:
        return level == 1
    return side[0] == "data" and bool(rw) and not seen.answer.driven >> side[1] & 1
