"""How captures, cycles, readings and diagnoses show themselves in a notebook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import Any

from bustrace.capture import Capture
from bustrace.cycles import CONTROL, Cycles
from bustrace.diagnosis import Diagnosis
from bustrace.program import Program, phases_of
from bustrace.reading import Reading
from bustrace.report.layout import clean
from bustrace.report.listing import hex_known
from bustrace.report.look import capture_size, line_activity, movement
from bustrace.report.phrases import sentence
from bustrace.report.text import first_sentence, headline
from bustrace.report.words import class_words, probability_words
from bustrace.units import count_words, format_time

_EDGE = 8
"""Rows shown at each end of a long table."""


def capture_html(capture: Capture) -> str:
    """What is in the file, and what each line did."""
    rows = [(act.line, movement(act)[0]) for act in line_activity(capture)]
    return _part(capture.source or "capture", capture_size(capture)) + _table(
        ("line", "changes, share of time high"), rows
    )


def cycles_html(cycles: Cycles) -> str:
    """The first and the last cycles, with the pins that were captured."""
    if not len(cycles):
        return _part("No bus cycles", sentence(cycles.reason or "none was found"))
    pins = [name for bit, name in enumerate(CONTROL) if (cycles.control_known >> bit & 1).any()]
    levels = {name: cycles.pin(name) for name in pins}
    head = (
        "cycle",
        "time",
        "address",
        "data",
        *pins,
        *(["selected"] if cycles.select_names else []),
    )
    rows = []
    for at in _ends(len(cycles)):
        if at is None:
            rows.append(("...", *[""] * (len(head) - 1)))
            continue
        row = [
            f"{at:,}",
            format_time(int(cycles.time_ps[at] - cycles.time_ps[0])),
            hex_known(int(cycles.address[at]), int(cycles.address_known[at]), 4),
            hex_known(int(cycles.data[at]), int(cycles.data_known[at]), 2),
            *("01-"[levels[name][at]] for name in pins),
        ]
        if cycles.select_names:
            chosen = int(cycles.selects[at] & cycles.selects_known[at])
            row.append(
                " ".join(n for bit, n in enumerate(cycles.select_names) if chosen >> bit & 1)
            )
        rows.append(tuple(row))
    period = cycles.clock.period_ps
    pace = f", one in {format_time(period)}" if period else ""
    return _part(count_words(len(cycles), "bus cycle"), f"Clock: {cycles.clock.role}{pace}.") + (
        _table(head, rows)
    )


def program_html(program: Program) -> str:
    """How the program was found, and how far."""
    if program.method == "none":
        return _part("No program", sentence(program.reason or "none was found"))
    how = {
        "sync": "instructions begin where SYNC is high",
        "follow": "by executing what was read",
        "search": "the likeliest instructions, not executed and so not checked",
    }
    text = sentence(how[program.method])
    if program.lost_at is not None:
        text += f" Lost from cycle {program.lost_at:,} on. {sentence(program.reason or '')}"
    return _part(f"{count_words(len(program), 'row')} of the program", text)


def reading_html(reading: Reading) -> str:
    """The file, the board it is read against, its cycles, its program and the boot in words."""
    board, taps = reading.board, reading.hookup.taps
    clips = ", ".join(f"{tap.line} is {tap.name}" for tap in taps if tap.line != tap.pin)
    rows = [
        ("capture", f"{reading.capture.source or 'capture'}: {capture_size(reading.capture)}"),
        ("board", f"{board.name}: {board.cpu.part}, {count_words(len(board.chips), 'chip')}"),
        ("clips", f"{len(taps)} known" + (f" ({clips})" if clips else "")),
        ("questions", " ".join(reading.hookup.questions)),
    ]
    return (
        _table((), [row for row in rows if row[1]])
        + cycles_html(reading.cycles)
        + program_html(reading.program)
        + _boot(reading)
    )


def _boot(reading: Reading) -> str:
    """The boot in words, as far as there is a program."""
    phases = phases_of(reading.program, reading.cycles, reading.board)
    rows = [
        ("...", "") if at is None else (f"{phases[at].first:,}", phases[at].text)
        for at in _ends(len(phases))
    ]
    return _table(("cycle", "what the CPU did"), rows) if rows else ""


def diagnosis_html(diagnosis: Diagnosis) -> str:
    """Verdict, ladder, derail, suspects, next steps."""
    parts = [_part(headline(diagnosis), first_sentence(diagnosis))]
    rungs = [(rung.name, rung.status, rung.text) for rung in diagnosis.ladder]
    parts.append(_table(("how far it came", "", ""), rungs))
    if diagnosis.derail is not None:
        derail = diagnosis.derail
        at = f"Leaves the path in cycle {derail.cycle:,}"
        parts.append(_part(at, f"Seen: {derail.seen}. Expected: {derail.expected}."))
    if diagnosis.suspects:
        suspects = [
            (
                "; or else ".join(class_words((suspect.fault, *suspect.alike))),
                probability_words(suspect.probability),
                str(suspect.fault),
            )
            for suspect in diagnosis.suspects
        ]
        parts.append(_table(("suspect", "how sure", "id"), suspects))
    if diagnosis.next_steps:
        parts.append(_part("Do this now", diagnosis.next_steps[0]))
    return "".join(parts)


def html_of(value: object) -> str:
    """The table that shows a value.

    Raises
    ------
    KeyError
        Nothing shows values of this type.
    """
    return _SHOWN[type(value)](value)


_SHOWN: dict[type, Callable[[Any], str]] = {
    Capture: capture_html,
    Cycles: cycles_html,
    Program: program_html,
    Reading: reading_html,
    Diagnosis: diagnosis_html,
}


def _ends(count: int) -> Iterable[int | None]:
    """Row numbers of both ends, with None for what lies between."""
    if count <= 2 * _EDGE + 1:
        return range(count)
    return [*range(_EDGE), None, *range(count - _EDGE, count)]


def _part(title: str, text: str) -> str:
    return f"<p><b>{_text(title)}</b><br>{_text(text)}</p>"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    def row(cells: Sequence[str], tag: str) -> str:
        inner = "".join(
            f'<{tag} style="text-align:left;font-family:monospace">{_text(cell)}</{tag}>'
            for cell in cells
        )
        return f"<tr>{inner}</tr>"

    top = row(head, "th") if any(head) else ""
    return f"<table>{top}{''.join(row(cells, 'td') for cells in rows)}</table>"


def _text(text: str) -> str:
    """Names come from strangers' files: nothing in them is markup."""
    return escape(clean(text))
