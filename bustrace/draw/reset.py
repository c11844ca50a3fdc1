"""The reset sequence, annotated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cycles import IN_RESET
from bustrace.draw.answering import answering_in
from bustrace.draw.buses import address_text
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.story import Step, story
from bustrace.draw.window import vector_fetch

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "The reset sequence"
_LENGTH = 7
"""Cycles from the forced fetch to the fetch at the vector (W65C02S data sheet, 3.11)."""
_MOST_BEFORE = 4
_FOOT = (
    "Seven cycles: W65C02S data sheet (October 2018), 3.11; the addresses and that R/W stays high: "
    "MCS6500 Hardware Manual (January 1976), A.5.4, and W65C816S data sheet (November 2018), 2.25. "
    "Some parts wait a cycle or two after RES is released.",
)


def draw_reset(
    reading: Reading,
    *,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw what the CPU does between the release of reset and its first instruction.

    Parameters
    ----------
    reading : Reading
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without a reset gives a picture that says so.
    """
    vector = None if no_cycles(reading) else vector_fetch(reading)
    if vector is None:
        compose = cannot_show(
            reading,
            TITLE,
            no_cycles(reading) or _why(reading),
            "Arm the analyser on the rising edge of RES, with some samples before the trigger, "
            "then press reset or switch on.",
        )
    else:

        def compose(points: float) -> Plate:
            return _compose(reading, vector, points)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _why(reading: Reading) -> str:
    held = reading.cycles.flags & IN_RESET != 0
    if held.all():
        return "RES is low from the first cycle to the last, so the CPU never starts"
    if not reading.hookup.address_mask:
        return "the address bus was not captured, and the vector's fetch is known by its address"
    reason = reading.program.reason
    told = f" ({reason})" if reason else ""
    low, high = _vector_addresses(reading)
    return f"nowhere does the CPU read the reset vector at ${low:04X} and ${high:04X}{told}"


def _vector_addresses(reading: Reading) -> tuple[int, int]:
    """Where the reset vector is, as the CPU's pins show it."""
    pins = reading.board.address_mask
    return 0xFFFC & pins, 0xFFFD & pins


def _compose(reading: Reading, vector: int, points: float) -> Plate:
    cycles = reading.cycles
    n = len(cycles)
    forced = max(vector - (_LENGTH - 2), 0)
    held = np.flatnonzero(cycles.flags[:vector] & IN_RESET != 0)
    released = int(held[-1]) + 1 if len(held) else None
    steps = []
    before = forced - _MOST_BEFORE
    if released is not None and released <= forced:
        before = max(released - 1, before)
        if released - 1 >= before:
            steps.append(
                Step(
                    released - 1,
                    released - 1,
                    "",
                    "Reset is low",
                    "The CPU is held. Nothing is written.",
                )
            )
        first = max(released, before)
        if first < forced:
            steps.append(
                Step(
                    first,
                    forced - 1,
                    "",
                    "Released",
                    "RES is looked at once a cycle: the CPU answers a cycle or two later.",
                )
            )
    if vector - forced == _LENGTH - 2:
        steps += _beginning(reading, forced)
    elif forced < vector:
        steps.append(
            Step(forced, vector - 1, "", "Cut off", "The capture begins within the sequence.")
        )
    steps += _vector(reading, vector)
    if vector + 2 < n:
        steps.append(_first_fetch(reading, vector))
    facts = (*capture_facts(reading), _measured(reading, vector, released))
    return story(
        reading,
        steps,
        ("RES", "SYNC", "RW"),
        title=TITLE,
        facts=facts,
        foot=_FOOT,
        width=points,
    )


def _measured(reading: Reading, vector: int, released: int | None) -> str:
    if released is None or released > vector:
        return "the release of RES is not in view"
    return f"first read of the vector {vector - released + 1} cycles after RES was released"


def _beginning(reading: Reading, forced: int) -> list[Step]:
    cycles = reading.cycles
    stack = range(forced + 2, forced + 5)
    shown = [address_text(reading, c) for c in stack]
    rw = cycles.pin("RW")[forced : forced + _LENGTH]
    text = (
        "The same machinery that an interrupt uses tries to push PC and P. In a reset R/W stays "
        f"high, so nothing is written; S only counts down by three: {', '.join(shown)}. What is on "
        "the data bus does not matter."
    )
    if (rw == 0).any():
        text += " HERE R/W GOES LOW: that should not be."
    return [
        Step(
            forced,
            forced,
            "1",
            "A fetch not obeyed",
            "Any address. The opcode is thrown away and a break is put in its place.",
        ),
        Step(forced + 1, forced + 1, "2", "Idle read", "Also thrown away; PC stands still."),
        Step(forced + 2, forced + 4, "3-5", "Three pushes that write nothing", text),
    ]


def _vector(reading: Reading, vector: int) -> list[Step]:
    low, high = _vector_addresses(reading)
    texts = (
        ("6", "Vector, low byte", f"Read from ${low:04X}: the ROM must answer here."),
        (
            "7",
            "Vector, high byte",
            f"Read from ${high:04X}. Both bytes are the address to start at.",
        ),
    )
    steps = []
    for at, (mark, name, text) in enumerate(texts):
        cycle = vector + at
        if cycle >= len(reading.cycles):
            break
        expected = _expected(reading, cycle, 0xFFFC + at)
        seen, known = int(reading.cycles.data[cycle]), int(reading.cycles.data_known[cycle])
        if expected is not None and known == 0xFF:
            same = expected == seen
            text += (
                f" ${seen:02X}, as in the image."
                if same
                else f" Seen ${seen:02X}; THE IMAGE HAS ${expected:02X}."
            )
        steps.append(Step(cycle, cycle, mark, name, text))
    return steps


def _expected(reading: Reading, cycle: int, address: int) -> int | None:
    """Byte of the ROM image that alone answers at an address, in the bank of a cycle."""
    board = reading.board
    at = np.array([address], dtype=np.uint32)
    found = answering_in(reading, np.array([cycle]), at, np.array([1], dtype=np.uint8))
    for bit, chip in enumerate(board.mapped):
        if chip.images and not found.open[0] and found.chips[0] == np.uint32(1 << bit):
            byte = int(board.image_bytes(chip.ref, state=int(found.state[0]))[address])
            return byte if byte >= 0 else None
    return None


def _first_fetch(reading: Reading, vector: int) -> Step:
    cycles = reading.cycles
    fetch = vector + 2
    fetched = "SYNC high," if reading.board.has_pin("SYNC") else "The opcode is fetched"
    if (cycles.data_known[vector : vector + 2] == 0xFF).all():
        target = int(cycles.data[vector]) | int(cycles.data[vector + 1]) << 8
        known, seen = int(cycles.address_known[fetch]), int(cycles.address[fetch])
        shown = target & reading.board.address_mask
        on_pins = f", which the pins show as ${shown:04X}" if shown != target else ""
        text = f"{fetched} at the address just read: ${target:04X}{on_pins}."
        if (target ^ seen) & known:
            text = (
                f"The bytes read say ${target:04X}, the bus shows "
                f"{address_text(reading, fetch)}: one of the two is not what the CPU saw."
            )
    else:
        text = f"{fetched} at the address just read."
    return Step(fetch, fetch, "", "First instruction", text)
