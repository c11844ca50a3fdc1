"""An interrupt, annotated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cpu import variant_named
from bustrace.draw.buses import address_text, hex_text
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.sheet import GUTTER, Sheet
from bustrace.draw.story import Extra, Step, story
from bustrace.program import Kind
from bustrace.program.boundaries import halted

if TYPE_CHECKING:
    from bustrace.reading import Reading

_TITLES = {
    Kind.IRQ: "An interrupt by IRQ",
    Kind.NMI: "An interrupt by NMI",
    Kind.BRK: "BRK, the interrupt an instruction makes",
}
_VECTORS = {Kind.IRQ: 0xFFFE, Kind.NMI: 0xFFFA, Kind.BRK: 0xFFFE}
_FLAGS = (
    ("N", "negative"),
    ("V", "overflow"),
    ("1", "no flag"),
    ("B", "break"),
    ("D", "decimal"),
    ("I", "IRQ off"),
    ("Z", "zero"),
    ("C", "carry"),
)
_BEFORE = 2
_LENGTH = 7
_B = 0x10
_FOOT = (
    "The seven cycles: MCS6500 Hardware Manual (January 1976), A.5.4. Vectors: W65C02S data sheet "
    "(October 2018), table 3-1. B is 0 for IRQ and NMI and 1 for BRK, in the pushed byte only; "
    "that the line is looked at in the last cycle but one of an instruction is from community "
    "notes on a transistor-level simulation.",
)


def draw_interrupt(
    reading: Reading,
    *,
    cycle: int | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw how the CPU leaves the program for a handler.

    Parameters
    ----------
    reading : Reading
    cycle : int or None
        The interrupt taken at this cycle or next after it. None takes the first that is seen
        whole; a BRK only where there is no other.
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without an interrupt gives a picture that says so.
    """
    row = _choose(reading, cycle)
    if row is None:
        compose = cannot_show(
            reading,
            "An interrupt",
            no_cycles(reading) or _why(reading, cycle),
            "Capture longer, or arm the analyser on the falling edge of IRQ. A program that never "
            "clears the I flag takes no IRQ, however long the line is low."
            if reading.board.has_pin("IRQ")
            else "Only a BRK makes such a CPU go through the same cycles.",
        )
    else:
        shown = row

        def compose(points: float) -> Plate:
            return _compose(reading, shown, points)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _choose(reading: Reading, cycle: int | None) -> int | None:
    program = reading.program
    whole = (program.length >= _LENGTH) & (program.first_cycle >= (cycle or 0))
    if cycle is not None:
        whole |= (program.first_cycle <= cycle) & (cycle < program.first_cycle + program.length)
    for kinds in ((Kind.IRQ, Kind.NMI), (Kind.BRK,)):
        rows = np.flatnonzero(whole & np.isin(program.kind, kinds))
        if len(rows):
            return int(rows[0])
    return None


def _why(reading: Reading, cycle: int | None) -> str:
    program = reading.program
    if not np.isin(program.kind, (Kind.INSTRUCTION,)).any():
        return f"no instruction was found ({program.reason or 'the bus does not tell'})"
    after = f" from cycle {cycle:,} on" if cycle is not None else ""
    irq = reading.cycles.pin("IRQ")
    if not reading.board.has_pin("IRQ"):
        line = f"; a {reading.board.cpu.part} has no interrupt pins"
    elif (irq == 2).all():
        line = "; IRQ itself was not captured"
    elif (irq == 0).any():
        line = f", although IRQ is low in {int((irq == 0).sum()):,} cycles"
    else:
        line = "; IRQ is never low"
    return f"no interrupt was taken{after}{line}"


def _compose(reading: Reading, row: int, points: float) -> Plate:
    program, cycles = reading.program, reading.cycles
    kind = Kind(int(program.kind[row]))
    begin, length = int(program.first_cycle[row]), int(program.length[row])
    waits = halted(cycles, variant_named(reading.board.cpu.variant))[begin : begin + length]
    # Where RDY or another owner makes the CPU wait, the wait belongs to the cycle it repeats.
    own = begin + np.flatnonzero(~waits)[:_LENGTH]
    if len(own) < _LENGTH:
        own = begin + np.arange(_LENGTH)
    edges = [begin, *(int(c) + 1 for c in own)]
    spans = [(edges[i], edges[i + 1] - 1) for i in range(_LENGTH)]
    steps = []
    if begin >= _BEFORE:
        steps.append(Step(begin - _BEFORE, begin - 1, "", "The program", _before(reading, begin)))
    steps += [
        Step(first, last, str(at + 1), name, text)
        for at, ((first, last), (name, text)) in enumerate(
            zip(spans, _words(reading, kind, [int(c) for c in own]), strict=True)
        )
    ]
    after = begin + length
    if after < len(cycles):
        at = address_text(reading, after)
        text = f"At {at}: the address just read. I is set now: IRQ waits until CLI or RTI."
        steps.append(Step(after, after, "", "The handler", text))
    facts = [*capture_facts(reading)]
    number = int(np.count_nonzero(np.isin(program.kind[: row + 1], (kind,))))
    count = int(np.count_nonzero(program.kind == kind))
    facts.append(f"{kind.name} {number} of {count} in the capture")
    pushed, known = int(cycles.data[own[4]]), int(cycles.data_known[own[4]])
    return story(
        reading,
        steps,
        ("IRQ", "NMI", "SYNC", "RW") if kind != Kind.BRK else ("SYNC", "RW"),
        title=_TITLES[kind],
        facts=facts,
        foot=_FOOT,
        width=points,
        extra=_flags(pushed, known),
    )


def _before(reading: Reading, begin: int) -> str:
    pins = [pin for pin in ("IRQ", "NMI") if reading.cycles.pin(pin)[begin - 1] == 0]
    seen = f"{' and '.join(pins)} low. " if pins else ""
    return (
        f"{seen}The line is looked at in the last cycle but one of each instruction, which is "
        "always finished first."
    )


def _words(reading: Reading, kind: Kind, own: list[int]) -> list[tuple[str, str]]:
    cycles = reading.cycles
    address = [address_text(reading, c) for c in own]
    data = [hex_text(int(cycles.data[c]), int(cycles.data_known[c]), 2, "$") for c in own]
    vector = _VECTORS[kind] & reading.board.address_mask
    if kind == Kind.BRK:
        first = ("BRK fetched", f"$00 at {address[0]}: the break itself. PC moves on.")
        second = ("The byte after", "Dropped, but PC moves past it: two bytes in all.")
    else:
        first = (
            "A fetch not obeyed",
            f"SYNC is high at {address[0]}, but the opcode is thrown away.",
        )
        second = ("The same again", "PC stands still: the mark of an interrupt in a trace.")
    want = 1 if kind == Kind.BRK else 0
    known = int(cycles.data_known[own[4]]) & _B
    bit = (int(cycles.data[own[4]]) & _B) // _B
    flag = f"B is {bit}: " if known else "B should be "
    flag += {1: "a BRK", 0: "from outside, no BRK"}[bit if known else want]
    if known and bit != want:
        flag += f", though the vector is that of {kind.name}"
    return [
        first,
        second,
        ("Push PC, high byte", f"{data[2]} to {address[2]}. R/W goes low."),
        (
            "Push PC, low byte",
            f"{data[3]} to {address[3]}: RTI comes back to ${_digits(data[2])}{_digits(data[3])}.",
        ),
        ("Push P", f"{data[4]} to {address[4]}. {flag}."),
        ("Vector, low byte", _vector_text(address[5], vector, data[5])),
        ("Vector, high byte", _vector_text(address[6], vector + 1, data[6])),
    ]


def _digits(text: str) -> str:
    return text.removeprefix("$") if text != "-" else "??"


def _vector_text(seen: str, expected: int, data: str) -> str:
    if seen == f"${expected:04X}" or "?" in seen or seen == "-":
        return f"{data} from ${expected:04X}."
    return f"{data} from {seen}; the vector is at ${expected:04X}."


def _flags(pushed: int, known: int) -> Extra:
    """The pushed byte, bit by bit."""

    def paint(sheet: Sheet, top: float) -> None:
        look, point = sheet.look, sheet.us_per_point
        left = sheet.left_us - (GUTTER - 4) * point
        x, y = sheet.left_us, top + 8
        sheet.text(left, y + 9, "P as pushed", size=7.5, ha="left")
        plain: list[list[tuple[float, float]]] = []
        marked: list[list[tuple[float, float]]] = []
        unknown: list[list[tuple[float, float]]] = []
        for at, (letter, meaning) in enumerate(_FLAGS):
            bit = 7 - at
            a, b = x + at * 46 * point, x + (at * 46 + 42) * point
            shape = [(a, y), (b, y), (b, y + 18), (a, y + 18)]
            sure = known >> bit & 1
            (unknown if not sure else marked if letter == "B" else plain).append(shape)
            text = f"{letter}={pushed >> bit & 1}" if letter != "1" else f"{pushed >> bit & 1}"
            sheet.text(
                (a + b) / 2,
                y + 9,
                text if sure else "?",
                size=7.5,
                mono=True,
                weight="bold" if letter == "B" else "normal",
            )
            sheet.text((a + b) / 2, y + 24, meaning, size=6.0, color=look.quiet, style="italic")
        sheet.shapes(plain, face=look.card, edge=look.ink)
        sheet.shapes(marked, face=look.alarm, edge=look.ink, width=1.6)
        sheet.shapes(unknown, face=look.shade, edge=look.quiet, hatch="////")

    return 44.0, paint
