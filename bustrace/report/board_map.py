"""The address map of a board as text."""

from __future__ import annotations

import numpy as np

from bustrace.board import READ, WRITE, Board, MapRow, map_rows
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.report.phrases import how_to_override, sentence
from bustrace.units import count_words, format_rate

_RANGE, _WHO = 13, 12


def board_text(board: Board) -> Paper:
    """All 65,536 addresses: who answers, gaps, doubled drivers, mirrors, the vectors' owner."""
    paper = Paper()
    paper.say(board.name, indent=0, mark="strong")
    clock = f", {format_rate(board.clock_hz)}" if board.clock_hz else ""
    paper.say(f"{board.cpu.ref}: {board.cpu.part}{clock}", indent=0)
    paper.heading("Chips")
    for chip in board.chips:
        if chip.ref == board.cpu.ref:
            continue
        words: list[str] = [chip.role]
        if chip.size:
            memory = chip.role in ("rom", "ram")
            words.append(
                count_words(chip.size, "byte")
                if memory
                else count_words(chip.size, "address", "addresses")
            )
        if chip.socketed is not None:
            words.append("socketed" if chip.socketed else "soldered")
        if not chip.fitted:
            words.append("NOT FITTED")
        words += [f"image {image.name} (CRC-32 {image.crc32:08X})" for image in chip.images]
        cells = [Cell(chip.ref, 8, "strong"), Cell(chip.part, 12)]
        paper.say(", ".join(words), cells=cells, mark="" if chip.fitted else "doubt")
    paper.heading("Addresses")
    head = [Cell("from-to", _RANGE), Cell("reads", _WHO), Cell("writes", _WHO)]
    paper.say("", cells=[Cell(cell.text, cell.width, "quiet") for cell in head])
    for row in map_rows(board):
        _row(paper, row)
    paper.heading("In all")
    for text, mark in _totals(board):
        paper.say(text, mark=mark)
    if board.notes:
        paper.heading("Assumed, since nobody said")
        for note in board.notes:
            paper.say(sentence(note.text) + how_to_override(note.option), lead="- ")
    return paper


def _row(paper: Paper, row: MapRow) -> None:
    where = f"${row.first:04X}" + (f"-${row.last:04X}" if row.last != row.first else "")
    remarks = [row.remark] if row.remark else []
    if row.mirror_of is not None:
        first, last = row.mirror_of
        of = f"${first:04X}" + (f"-${last:04X}" if last != first else "")
        remarks.insert(0, f"again {of}")
    mark: Mark = "quiet" if row.mirror_of or not (row.readers or row.writers) else ""
    if "DOUBLED" in row.remark:
        mark = "bad"
    cells = [
        Cell(where, _RANGE, mark),
        Cell("+".join(row.readers) or "-", _WHO, mark),
        Cell("+".join(row.writers) or "-", _WHO, mark),
    ]
    paper.say("; ".join(remarks), cells=cells, mark=mark)


def _totals(board: Board) -> list[tuple[str, Mark]]:
    table = board.map
    answered = table.responds[READ] != 0
    taken = table.responds[WRITE] != 0
    silent = ~answered & ~taken
    gaps, unsaid = int((silent & table.described).sum()), int((silent & ~table.described).sum())
    doubled = int(table.doubled().sum())
    out: list[tuple[str, Mark]] = [
        (
            f"Reads are answered at {int(answered.sum()):,} addresses, writes taken at "
            f"{int(taken.sum()):,}.",
            "",
        )
    ]
    if gaps:
        out.append((f"Nobody answers at {count_words(gaps, 'address', 'addresses')}.", ""))
    if unsaid:
        text = f"Nothing is said of {count_words(unsaid, 'address', 'addresses')}."
        out.append((text + " A missing answer there means nothing.", ""))
    if doubled:
        places = np.flatnonzero(table.doubled())
        out.append(
            (
                f"Two chips drive the same read at {count_words(doubled, 'address', 'addresses')}, "
                f"the first at ${int(places[0]):04X}: on the board this would be a fault.",
                "bad",
            )
        )
    else:
        out.append(("No read is driven by two chips.", "good"))
    return out
