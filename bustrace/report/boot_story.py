"""The boot as a story: phases in words, then what the program does all along."""

from __future__ import annotations

import re
from collections.abc import Iterator

from bustrace.findings import Derail, observe
from bustrace.program import (
    Elsewhere,
    Interrupts,
    Kind,
    Phase,
    Poll,
    bit_words,
    code_elsewhere,
    fetched_from,
    final_wait,
    interrupts_of,
    phases_of,
    polls_of,
    reads_of,
    stack_depth,
)
from bustrace.program.symbols import Symbols
from bustrace.reading import Reading
from bustrace.report.layout import Cell, Paper
from bustrace.units import count_words, format_time, numbered_runs

MOST = 60
"""Phases shown; the middle of a longer story is folded."""

MOST_POLLS = 8
"""Places shown that the program polls, those of most looks."""

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
    derail = observe(reading).derail
    at = derail.cycle if derail is not None else None
    phases = phases_of(reading.program, reading.cycles, reading.board, at)
    head = (Cell("cycle", 10, "quiet"), Cell("after", 11, "quiet"))
    paper.say("what the CPU did", cells=head, indent=0, mark="quiet")
    edge = MOST // 2
    marked = False
    for number, phase in enumerate(phases):
        if derail is not None and not marked and phase.first > derail.cycle:
            _leaves(paper, reading, derail)
            marked = True
        if not everything and len(phases) > MOST and edge <= number < len(phases) - edge:
            if number == edge:
                paper.say(f"... {len(phases) - MOST:,} more phases (--all shows them)", indent=0)
            continue
        cells = _when(reading, phase.first)
        paper.say(_phase(phase, names), cells=cells, indent=0)
    if derail is not None and not marked:
        _leaves(paper, reading, derail)
    stops = reading.cycles.clock.stops_ps is not None
    paper.say(
        "the clock stops" if stops else "the capture ends",
        cells=_when(reading, len(reading.cycles)),
        indent=0,
        mark="bad" if stops else "quiet",
    )
    paper.heading("All along")
    for line in _summary(reading, names, at):
        paper.say(line, lead="- ")
    return paper


def _when(reading: Reading, cycle: int) -> tuple[Cell, Cell]:
    """Where a phase begins: its first cycle, and the time from the start of the capture."""
    after = int(reading.cycles.time_ps[max(cycle - 1, 0)]) - reading.capture.start_ps
    return Cell(f"{cycle:,}", 10), Cell(format_time(after), 11, "quiet")


def _leaves(paper: Paper, reading: Reading, derail: Derail) -> None:
    text = f"LEAVES ITS PATH. {derail.text}"
    paper.say(text, cells=_when(reading, derail.cycle), indent=0, mark="bad")


def _phase(phase: Phase, names: dict[int, str]) -> str:
    text = _named(phase.text, names)
    if phase.kind in _TURNED and phase.turns > 1:
        text += f" ({phase.turns:,} times)"
    if phase.interrupts and phase.kind != "storm":
        text += f"; {count_words(phase.interrupts, 'interrupt')} meanwhile"
    if phase.breaks:
        text += f"; {count_words(phase.breaks, 'BRK')}"
    return text


def _named(text: str, names: dict[int, str]) -> str:
    """Addresses in a text with their names behind them."""

    def with_name(match: re.Match[str]) -> str:
        name = names.get(int(match[1], 16))
        return f"{match[0]} {name}" if name else match[0]

    return re.sub(r"\$([0-9A-F]{4})\b", with_name, text)


def _summary(reading: Reading, names: dict[int, str], derail: int | None) -> Iterator[str]:
    program, cycles = reading.program, reading.cycles
    if program.searched.any():
        yield (
            "The program could not be executed from what was captured: these are the likeliest "
            "instructions, and what is said of them is no more certain."
        )
    taken = interrupts_of(program, cycles)
    for interrupts in taken:
        yield _interrupts(interrupts, names)
    if not any(interrupts.line != "BRK" for interrupts in taken):
        yield "No interrupt was taken."
    yield from _polls(reading, names)
    depth = stack_depth(program, derail)
    if depth is not None:
        pc = int(program.pc[depth.row])
        where = f", before the instruction at {_named(f'${pc:04X}', names)}" if pc >= 0 else ""
        used = depth.highest - depth.lowest
        until = " until the program leaves its path" if derail is not None else ""
        yield (
            f"The stack goes down to $01{depth.lowest:02X}{until}: {count_words(used, 'byte')} "
            f"deep, at cycle {int(program.first_cycle[depth.row]):,}{where}."
        )
    else:
        before = " before it leaves its path" if derail is not None else " in view"
        yield f"How deep the stack goes is not known: the program sets no pointer{before}."
    yield from _code(reading)
    if program.jam_at is not None:
        yield f"The CPU stops for good at cycle {program.jam_at:,}."
    if program.lost_at is not None:
        yield f"From cycle {program.lost_at:,} on it could not be followed: {program.reason}."


def _polls(reading: Reading, names: dict[int, str]) -> Iterator[str]:
    """Where the program spins, and on what."""
    program, variant = reading.program, reading.board.cpu.variant
    reads = reads_of(program, reading.cycles)
    polls = polls_of(program, reads, variant)
    last = final_wait(program, reads, variant, len(reading.cycles))
    most = sorted(polls, key=lambda poll: -poll.looks)[:MOST_POLLS]
    for poll in polls:
        if poll in most:
            yield _poll(poll, names, last is not None and last.address == poll.address)
    if len(polls) > MOST_POLLS:
        yield f"{count_words(len(polls) - MOST_POLLS, 'more place')} polled less often."


def _poll(poll: Poll, names: dict[int, str], at_end: bool) -> str:
    place = _named(f"${poll.address:04X}", names)
    where = _named(f"${poll.pc:04X}", names)
    text = f"It polls {place} {bit_words(poll.bits)} at {where}: {count_words(poll.looks, 'look')}"
    text += f", cycles {poll.first:,} to {poll.last:,}"
    return text + (", where the capture ends." if at_end else ".")


def _code(reading: Reading) -> Iterator[str]:
    """Where code came from, no surer than the board file and the address lines are."""
    program, board = reading.program, reading.board
    if not board.map.chips:
        return
    strange = code_elsewhere(program, reading.cycles, board)
    for place in strange:
        yield _elsewhere(place)
    from_rom = int((fetched_from(program, reading.cycles, board).place == "rom").sum())
    count = int((program.kind == Kind.INSTRUCTION).sum())
    known = from_rom + sum(place.count for place in strange)
    if from_rom and from_rom == count:
        yield "All code comes from ROM."
    elif known < count:
        yield f"Where {count_words(count - known, 'instruction')} came from is not known."


def _interrupts(found: Interrupts, names: dict[int, str]) -> str:
    if found.line == "BRK":
        return _brk(found, names)
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
    if found.gone:
        text += f"; from {found.gone:,} of them the handler did not return"
    return text + "."


def _brk(found: Interrupts, names: dict[int, str]) -> str:
    handlers = " and ".join(_named(f"${pc:04X}", names) for pc in found.handlers[:3])
    text = f"{count_words(found.count, 'BRK')}, from cycle {found.first:,} on"
    if handlers:
        text += f", to {handlers}"
        text += f" and {len(found.handlers) - 3} more" if len(found.handlers) > 3 else ""
    if found.gone:
        text += f"; {found.gone:,} never returned"
    return text + "."


def _elsewhere(found: Elsewhere) -> str:
    span = f"${found.first:04X}" + (f"-${found.last:04X}" if found.last > found.first else "")
    count = count_words(found.count, "instruction")
    if found.place == "nobody":
        return (
            f"{count} from addresses where no chip answers, {span}, from cycle {found.cycle:,} on: "
            "the program has run wild."
        )
    chips = numbered_runs(found.chips)
    if found.place == "ram":
        run = "run" if found.count > 1 else "runs"
        return f"{count} {run} from RAM ({chips}), {span}, from cycle {found.cycle:,} on."
    return (
        f"{count} from {chips}, {span}, which is no memory for code, from cycle {found.cycle:,} on."
    )
