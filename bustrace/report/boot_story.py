"""The boot as a story: phases in words, then what the program does all along."""

from __future__ import annotations

import re
from collections.abc import Iterator

from bustrace.program import (
    Elsewhere,
    Interrupts,
    Phase,
    code_elsewhere,
    interrupts_of,
    phases_of,
    stack_depth,
)
from bustrace.program.symbols import Symbols
from bustrace.reading import Reading
from bustrace.report.layout import Cell, Paper
from bustrace.units import count_words, format_time, numbered_runs

MOST = 60
"""Phases shown; the middle of a longer story is folded."""

_TURNED = frozenset({"loop", "main loop"})


def boot_story(
    reading: Reading, symbols: Symbols | None = None, *, everything: bool = False
) -> Paper:
    """Phases of a boot and a summary, at most 80 columns.

    Parameters
    ----------
    reading : Reading
    symbols : Symbols or None
        Names shown beside addresses.
    everything : bool
        Do not fold a long story.
    """
    names = symbols.names if symbols is not None else {}
    paper = Paper()
    phases = phases_of(reading.program, reading.cycles, reading.board)
    head = (Cell("cycle", 10, "quiet"), Cell("after", 11, "quiet"))
    paper.say("what the CPU did", cells=head, indent=0, mark="quiet")
    start = reading.capture.start_ps
    edge = MOST // 2
    for number, phase in enumerate(phases):
        if not everything and len(phases) > MOST and edge <= number < len(phases) - edge:
            if number == edge:
                paper.say(f"... {len(phases) - MOST:,} more phases (--all shows them)", indent=0)
            continue
        after = format_time(int(reading.cycles.time_ps[max(phase.first - 1, 0)]) - start)
        cells = (Cell(f"{phase.first:,}", 10), Cell(after, 11, "quiet"))
        paper.say(_phase(phase, names), cells=cells, indent=0)
    paper.heading("All along")
    for line in _summary(reading, names):
        paper.say(line, lead="- ")
    return paper


def _phase(phase: Phase, names: dict[int, str]) -> str:
    text = _named(phase.text, names)
    if phase.kind in _TURNED and phase.turns > 1:
        text += f" ({phase.turns:,} times)"
    if phase.interrupts:
        text += f"; {count_words(phase.interrupts, 'interrupt')} meanwhile"
    return text


def _named(text: str, names: dict[int, str]) -> str:
    """Addresses in a text with their names behind them."""

    def with_name(match: re.Match[str]) -> str:
        name = names.get(int(match[1], 16))
        return f"{match[0]} {name}" if name else match[0]

    return re.sub(r"\$([0-9A-F]{4})\b", with_name, text)


def _summary(reading: Reading, names: dict[int, str]) -> Iterator[str]:
    program, cycles, board = reading.program, reading.cycles, reading.board
    taken = interrupts_of(program, cycles)
    for interrupts in taken:
        yield _interrupts(interrupts, names)
    if not taken:
        yield "No interrupt was taken."
    depth = stack_depth(program)
    if depth is not None:
        pc = int(program.pc[depth.row])
        where = f", before the instruction at {_named(f'${pc:04X}', names)}" if pc >= 0 else ""
        used = depth.highest - depth.lowest
        yield (
            f"The stack goes down to $01{depth.lowest:02X}: {count_words(used, 'byte')} deep, at "
            f"cycle {int(program.first_cycle[depth.row]):,}{where}."
        )
    else:
        yield "How deep the stack goes is not known: the program never sets its pointer in view."
    strange = code_elsewhere(program, cycles, board)
    for place in strange:
        yield _elsewhere(place)
    if board.map.chips and not strange:
        yield "All code comes from ROM."
    if program.jam_at is not None:
        yield f"The CPU stops for good at cycle {program.jam_at:,}."
    if program.lost_at is not None:
        yield f"From cycle {program.lost_at:,} on it could not be followed: {program.reason}."


def _interrupts(found: Interrupts, names: dict[int, str]) -> str:
    handlers = " and ".join(_named(f"${pc:04X}", names) for pc in found.handlers[:3])
    text = f"{count_words(found.count, found.line)}"
    if found.every_ps is not None:
        text += f", one in {format_time(found.every_ps)}"
    if handlers:
        text += f", handled at {handlers}"
    if found.latency is not None:
        usual, longest = found.latency
        text += f"; answered {usual} cycles after {found.line} fell"
        text += f", at most {longest:,}" if longest != usual else ""
    if found.back_to_back:
        text += (
            f"; {found.back_to_back:,} of them directly behind the one before, so that the main "
            "program did not get on"
        )
    return text + "."


def _elsewhere(found: Elsewhere) -> str:
    span = f"${found.first:04X}-${found.last:04X}"
    count = count_words(found.count, "instruction")
    if found.place == "nobody":
        return (
            f"{count} from addresses where no chip answers, {span}, from cycle {found.cycle:,} on: "
            "the program has run wild."
        )
    chips = numbered_runs(found.chips)
    if found.place == "ram":
        return f"{count} run from RAM ({chips}), {span}, from cycle {found.cycle:,} on."
    return (
        f"{count} from {chips}, {span}, which is no memory for code, from cycle {found.cycle:,} on."
    )
