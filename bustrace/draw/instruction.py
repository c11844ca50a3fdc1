"""One instruction, cycle by cycle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cpu import opcode_info, variant_named
from bustrace.cpu.microcycles import Microcycle
from bustrace.draw.cycle_words import cycle_words
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.story import MOST_CYCLES, Step, story
from bustrace.program import REGISTERS, Kind, disagreements, listing_rows
from bustrace.program.boundaries import halted

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "One instruction, cycle by cycle"
_CANDIDATES = 4000
_P, _DECIMAL = REGISTERS.index("P"), 0x08
_FOOT = (
    "What each cycle does: MCS6500 Hardware Manual (January 1976), appendix A, and for reads of "
    "addresses that are not final yet, recordings of a transistor-level simulation. The CPU does "
    "something on the bus in every cycle, needed or not.",
)


def draw_instruction(
    reading: Reading,
    *,
    cycle: int | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw one instruction with what each of its cycles does, and why.

    Parameters
    ----------
    reading : Reading
    cycle : int or None
        A cycle of the instruction. None takes the first of the longest kind that ran in the
        capture and agrees with the program in every cycle.
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without a program gives a picture that says so.
    """
    row, why = _choose(reading, cycle)
    if row is None:
        compose = cannot_show(
            reading,
            TITLE,
            why,
            "The clock, R/W, the data bus and as many address lines as there are clips make a "
            "program readable; SYNC makes it certain.",
        )
    else:
        shown = row

        def compose(points: float) -> Plate:
            return _compose(reading, shown, points)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _choose(reading: Reading, cycle: int | None) -> tuple[int | None, str]:
    program = reading.program
    missing = no_cycles(reading)
    if missing:
        return None, missing
    told = (program.kind == Kind.INSTRUCTION) & (program.opcode >= 0)
    if not told.any():
        return None, f"no instruction was found ({program.reason or 'the bus does not tell'})"
    if cycle is not None:
        if not 0 <= cycle < len(reading.cycles):
            return None, f"it has no cycle {cycle:,}; the last is {len(reading.cycles) - 1:,}"
        row = program.row_of(cycle)
        if told[row]:
            return row, ""
        kind = Kind(int(program.kind[row])).name
        return None, f"cycle {cycle:,} belongs to no instruction, but to a row of kind {kind}"
    whole = np.flatnonzero(told)[:_CANDIDATES]
    if len(whole) > 2:
        whole = whole[:-1]  # the last may be cut by the end of the capture
    off = np.concatenate(([0], np.cumsum(disagreements(reading.cycles, program.intent).off != 0)))
    first, length = program.first_cycle[whole], program.length[whole]
    clean = (off[first + length] == off[first]) & (program.confidence[whole] >= 0.99)
    clean &= program.pc[whole] >= 0
    usual = length <= 8
    for kept in (whole[clean & usual], whole[usual], whole):
        if len(kept):
            return int(kept[np.argmax(program.length[kept])]), ""
    return None, "no whole instruction was found"


def _compose(reading: Reading, row: int, points: float) -> Plate:
    program, cycles, board = reading.program, reading.cycles, reading.board
    listed = next(listing_rows(program, cycles, board, first_row=row, end_row=row + 1))
    variant = variant_named(board.cpu.variant)
    opcode = opcode_info(variant.name, int(program.opcode[row]))
    table = variant.modes()[opcode.microcycles]
    waits = halted(cycles, variant)
    busy = listed.length - int(waits[listed.cycle : listed.cycle + listed.length].sum())
    table = _gone_through(table, busy, bool(program.registers[row, _P] & _DECIMAL))
    steps: list[Step] = []
    place = 0
    for cycle in range(listed.cycle, listed.cycle + min(listed.length, MOST_CYCLES)):
        if waits[cycle]:
            if steps and not steps[-1].mark and steps[-1].last == cycle - 1:
                steps[-1] = _wait(steps[-1].first, cycle)
            else:
                steps.append(_wait(cycle, cycle))
            continue
        name, text = cycle_words(
            opcode,
            table,
            place,
            sync=board.has_pin("SYNC"),
            address_mask=board.address_mask,
        )
        steps.append(Step(cycle, cycle, str(place + 1), name, text))
        place += 1
    code = " ".join("??" if byte is None else f"{byte:02X}" for byte in listed.code)
    where = f" at ${listed.pc:04X}" if listed.pc is not None else ""
    facts = [*capture_facts(reading), f"bytes {code}", *_registers(reading, row)]
    if not opcode.documented:
        facts.append("undocumented opcode")
    if listed.pc is not None and listed.pc & ~board.address_mask:
        facts.append(f"the pins show ${listed.pc:04X} as ${listed.pc & board.address_mask:04X}")
    return story(
        reading,
        steps,
        ("SYNC", "RW", "RDY")
        if waits[listed.cycle : listed.cycle + listed.length].any()
        else ("SYNC", "RW"),
        title=f"{listed.text}{where}, cycle by cycle",
        facts=facts,
        foot=_FOOT,
        width=points,
    )


def _wait(first: int, last: int) -> Step:
    return Step(
        first,
        last,
        "",
        "Waiting",
        "RDY is low or the bus belongs to another: the CPU repeats this read later.",
    )


def _gone_through(
    table: tuple[Microcycle, ...], cycles: int, decimal: bool
) -> tuple[Microcycle, ...]:
    """The cycles of an instruction without the one that a CMOS part leaves out within a page."""
    for at, cycle in enumerate(table):
        within_page = cycle.end == "skip:same" and cycles == len(table)
        within_page |= cycle.end == "end:same/binary" and decimal and cycles == at + 3
        if within_page:
            return table[: at + 1] + table[at + 2 :]
    return table


def _registers(reading: Reading, row: int) -> list[str]:
    """Registers before the instruction, and those it changed."""
    program = reading.program
    value, known = program.registers[row], program.registers_known[row]
    before = [
        f"{name} ${int(v):02X}"
        for name, v, k in zip(REGISTERS, value, known, strict=True)
        if k == 0xFF
    ]
    facts = ["before: " + " ".join(before)] if before else []
    if row + 1 < len(program):
        after, sure = program.registers[row + 1], program.registers_known[row + 1]
        changed = [
            f"{name} ${int(after[i]):02X}"
            for i, name in enumerate(REGISTERS)
            if sure[i] == 0xFF and (after[i] != value[i] or known[i] != 0xFF)
        ]
        if changed:
            facts.append("after: " + " ".join(changed))
    return facts
