"""The address map of a board as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bustrace.board import READ, WRITE, AddressMap, Board, Chip, MapRow, StateBit, map_rows
from bustrace.capture import Note
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.report.phrases import how_to_override, sentence
from bustrace.units import count_words, format_rate, numbered_runs

_RANGE, _WHO, _NAME, _PART = 13, 12, 8, 12

MAX_SHOWN = 16
"""Other states whose differences are shown."""


def board_text(board: Board) -> Paper:
    """All 65,536 addresses: who answers, gaps, doubled drivers, mirrors, the vectors' owner; then
    what changes in each other state of the banks.
    """
    paper = Paper()
    paper.say(board.name, indent=0, mark="strong")
    clock = f", {format_rate(board.clock_hz)}" if board.clock_hz else ""
    paper.say(f"{board.cpu.ref}: {board.cpu.part}{clock}", indent=0)
    paper.heading("Chips")
    for chips in _banks_of(board):
        chip = chips[0]
        words: list[str] = [chip.role]
        if chip.size:
            memory = chip.role in ("rom", "ram")
            words.append(
                count_words(chip.size, "byte") + (" each" if len(chips) > 1 else "")
                if memory
                else count_words(chip.size, "address", "addresses")
            )
        if chip.socketed is not None:
            words.append("socketed" if chip.socketed else "soldered")
        if not chip.fitted:
            words.append("NOT FITTED")
        words += [f"image {image.name} (CRC-32 {image.crc32:08X})" for image in chip.images]
        if chip.decoding.addressed:
            words += [f"select line {select.name}" for select in chip.selects]
        name = numbered_runs(each.ref for each in chips)
        cells = [Cell(name, _NAME, "strong"), Cell(chip.part, _PART)]
        paper.say(", ".join(words), cells=cells, mark="" if chip.fitted else "doubt")
    for bit in board.state_bits:
        cells = [Cell(bit.name, _NAME, "strong"), Cell("bank bit", _PART)]
        paper.say(_what_sets(bit), cells=cells)
    after_reset = f", with {board.state_words(board.reset_state)}" if board.state_bits else ""
    paper.heading(f"Addresses{after_reset}")
    head = [Cell("from-to", _RANGE), Cell("reads", _WHO), Cell("writes", _WHO)]
    paper.say("", cells=[Cell(cell.text, cell.width, "quiet") for cell in head])
    for row in map_rows(board):
        _row(paper, row)
    _other_states(paper, board)
    paper.heading(f"In all{after_reset}")
    for text, mark in _totals(board):
        paper.say(text, mark=mark)
    if board.notes:
        paper.heading("Assumed, since nobody said")
        for note in _condensed(board.notes):
            paper.say(sentence(note.text) + how_to_override(note.option), lead="- ")
    return paper


def _banks_of(board: Board) -> list[list[Chip]]:
    """Chips but for the CPU; those of one bank, told in one table of the file, together."""
    found: list[list[Chip]] = []
    for chip in board.chips:
        if chip.ref == board.cpu.ref:
            continue
        like = found[-1][0] if found else None
        if like is not None and like.selects and _in_bank(chip) == _in_bank(like):
            found[-1].append(chip)
        else:
            found.append([chip])
    return found


def _in_bank(chip: Chip) -> tuple[object, ...]:
    line = chip.selects[0].name if chip.selects else ""
    told = (chip.part, chip.role, chip.size, chip.socketed, chip.fitted, chip.decoding)
    return (line, *told, tuple(image.sha256 for image in chip.images))


def _condensed(notes: Sequence[Note]) -> list[Note]:
    """Notes that say the same of several chips in one."""
    chips: dict[Note, list[str]] = {}
    for note in notes:
        ref, colon, rest = note.text.partition(": ")
        chips.setdefault(replace(note, text=colon + rest), []).append(ref)
    return [replace(note, text=numbered_runs(refs) + note.text) for note, refs in chips.items()]


def _what_sets(bit: StateBit) -> str:
    """What a state bit is after reset, and what changes it."""
    reset = "reset leaves it alone" if bit.reset is None else f"{bit.reset} after reset"
    if bit.port is not None:
        pulled = "not told" if bit.reset is None else str(bit.reset)
        return f"bit {bit.port} of the CPU's port at $0001; as an input: {pulled}"
    if bit.write_ranges:
        return f"{reset}; bit {bit.data_bit} of a write to {_ranges(bit.write_ranges)}"
    access = {"any": "an access to", "read": "a read of", "write": "a write to"}[bit.accesses]
    ways = [
        f"{access} {_ranges(ranges)} makes it {level}"
        for level, ranges in ((0, bit.clear_ranges), (1, bit.set_ranges))
        if ranges
    ]
    return "; ".join([reset, *ways])


def _ranges(ranges: tuple[tuple[int, int], ...]) -> str:
    shown = [f"${a:04X}" + (f"-${b:04X}" if b != a else "") for a, b in ranges[:4]]
    return ", ".join(shown) + (" ..." if len(ranges) > len(shown) else "")


def _other_states(paper: Paper, board: Board) -> None:
    """The rows of every other state that are not as after reset; states alike are one entry."""
    more = False
    seen: list[tuple[AddressMap, list[int]]] = [(board.map, [board.reset_state])]
    for state in range(len(board.maps)):
        table = board.maps[state]
        like = next((states for known, states in seen if _same(known, table)), None)
        if like is not None:
            like.append(state)
        elif len(seen) <= MAX_SHOWN:
            seen.append((table, [state]))
        else:
            more = True
            break
    for table, states in seen[1:]:
        title = f"With {board.state_words(states[0])}"
        if len(states) > 1:
            title += f", and in {count_words(len(states) - 1, 'more state')}"
        paper.heading(title)
        for row in map_rows(replace(board, map=table)):
            if _changes(board.map, table, row):
                _row(paper, _with_bytes(board.map, table, row))
    if more:
        paper.say(f"More than {MAX_SHOWN} states differ; the others are not shown.", mark="doubt")


def _with_bytes(before: AddressMap, now: AddressMap, row: MapRow) -> MapRow:
    """The row with the place in its chip where only that changed."""
    changed = [
        f"{ref} from its byte ${int(now.offsets[now.index(ref), row.first]):04X} on"
        for ref in row.readers or row.writers
        if before.offsets[before.index(ref), row.first] >= 0
        and before.offsets[before.index(ref), row.first] != now.offsets[now.index(ref), row.first]
    ]
    return replace(row, remark="; ".join(filter(None, (row.remark, *changed))))


def _same(one: AddressMap, other: AddressMap) -> bool:
    return one is other or (
        np.array_equal(one.responds, other.responds) and np.array_equal(one.offsets, other.offsets)
    )


def _changes(before: AddressMap, now: AddressMap, row: MapRow) -> bool:
    here = slice(row.first, row.last + 1)
    return not (
        np.array_equal(before.responds[:, here], now.responds[:, here])
        and np.array_equal(before.offsets[:, here], now.offsets[:, here])
    )


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
    # All chips of a repeated pattern in one cell would look like chips that answer together.
    who = ["as above"] * 2 if row.rows_above else [_who(row.readers), _who(row.writers)]
    cells = [Cell(where, _RANGE, mark), *(Cell(text, _WHO, mark) for text in who)]
    paper.say("; ".join(remarks), cells=cells, mark=mark)


def _who(refs: Sequence[str]) -> str:
    return numbered_runs(refs).replace(", ", "+") or "-"


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
