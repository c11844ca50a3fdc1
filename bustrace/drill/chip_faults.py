"""Faults of chips, of what is inside them, of groups of them, of clock and reset."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from bustrace.board.model import Board, Chip
from bustrace.drill.chips import Forgetting, Rows
from bustrace.drill.groups import behind_buffer, shared_groups
from bustrace.drill.planted import Plot
from bustrace.drill.planting import Planting, is_dynamic
from bustrace.faults import Fault

FORGETS_WITHIN = (300, 3000)
"""Cycles until a row that nobody refreshes is lost. The makers of dynamic RAM ask for a refresh in
every 2 or 4 ms and most cells keep their charge far longer; the drill's are the bad ones, so that
it shows in a short boot."""

REVISED_RUNS = 6
"""In so many places the bytes of another revision of a ROM differ."""


def silent(plot: Plot) -> None:
    """A chip that never drives, or too late; of a data buffer, one that lets nothing through."""
    ref = plot.fault.chips[0]
    buffers = {buffer.ref.casefold(): buffer.ref for buffer in plot.board.buffers}
    if ref.casefold() in buffers:
        behind = behind_buffer(plot.board, buffers[ref.casefold()])
        if not behind:
            raise plot.refuse("no chip of the address map has all its data lines behind it")
        _cut_off(plot, behind)
        return
    _silence(plot, plot.bit(plot.fault.chips[0]))


def _silence(plot: Plot, chip: int) -> None:
    if plot.variant == "late":
        plot.planted.late |= 1 << chip
    else:
        plot.planted.silent |= 1 << chip


def always(plot: Plot) -> None:
    """A chip that drives without being selected."""
    plot.planted.always |= 1 << _with_outputs(plot, plot.fault.chips[0])
    plot.planted.fights = plot.variant


def doubled(plot: Plot) -> None:
    """A chip that drives where another one answers."""
    answers, joins = plot.fault.chips
    plot.planted.doubled.append((plot.bit(answers), _with_outputs(plot, joins)))
    plot.planted.fights = plot.variant


def _with_outputs(plot: Plot, ref: str) -> int:
    """A chip that can drive the data bus; a latch that only takes writes has no outputs there."""
    bit = plot.bit(ref)
    if not any(table.readers(ref).any() for table in plot.board.maps):
        raise plot.refuse(f"{ref} answers no reads: it has no outputs on the data bus")
    return bit


def swapped(plot: Plot) -> None:
    """Two chips in each other's sockets."""
    one, other = (plot.memory(ref, "rom", "ram") for ref in plot.fault.chips)
    if len({plot.chip(bit).data_mask.bit_count() for bit in (one, other)}) > 1:
        raise plot.refuse("they have not as many data lines, so that they do not fit")
    device_of = plot.planted.device_of
    device_of[one], device_of[other] = device_of[other], device_of[one]


# ---- memory


def content(plot: Plot) -> None:
    """A ROM whose bytes are not the image's."""
    bit = plot.memory(plot.fault.chips[0], "rom")
    chip = plot.chip(bit)
    if not chip.images:
        return  # the run refuses such a board
    image = chip.images[0].content
    if plot.variant == "blank":
        wrong = b"\xff" * len(image)
    elif plot.variant == "revision":
        wrong = revised(image.tobytes(), plot.stream())
    else:
        wrong = plot.chances.rotten.get(chip.ref, image.tobytes())
    plot.planted.inside_of(bit).content = wrong


def revised(image: bytes, rng: np.random.Generator) -> bytes:
    """Another revision of an image: some runs of bytes moved on by one to four, as after a change
    to a routine or a table, and a byte here and there. The vectors stay.
    """
    changed, room = bytearray(image), max(len(image) - 6 - 64, 1)
    held = np.frombuffer(image, np.uint8)[: room + 1]
    # Where something is: what fills a ROM's free space is alike.
    used = np.flatnonzero(held[1:] != held[:-1])
    places = (used if len(used) else np.arange(room)).tolist()
    for _ in range(REVISED_RUNS):
        first = places[int(rng.integers(len(places)))]
        length, by = int(rng.integers(8, 64)), int(rng.integers(1, 5))
        run = image[first : first + length]
        changed[first : first + length] = (run[-by:] + run)[:length]
        changed[places[int(rng.integers(len(places)))]] ^= int(rng.integers(1, 256))
    return bytes(changed[: len(image) - 6] + image[-6:])


def cell(plot: Plot) -> None:
    """A cell that reads a level, alone or with its whole row or column."""
    ref, offset_text, bit_text = (plot.fault.chip or "").rsplit(".", 2)
    chip = plot.memory(ref, "rom", "ram")
    size = plot.chip(chip).size or 0
    offset, mask = int(offset_text, 16), 1 << int(bit_text)
    if offset >= size:
        raise plot.refuse(f"{ref} has no byte ${offset:04X}")
    inside, level = plot.planted.inside_of(chip), mask if plot.fault.level else 0
    if plot.variant == "alone":
        keeps, sets = inside.cells.get(offset, (0xFF, 0x00))
        inside.cells[offset] = (keeps & ~mask, sets & ~mask | level)
        return
    chosen = _shared_bits(plot.chip(chip), plot.variant)
    inside.rows.append(Rows(chosen, offset & chosen, 0xFF & ~mask, level))


def is_same_block(board: Board, planting: Planting, named: Fault) -> bool:
    """Whether a bad row or column of cells is as well called by `named`: any of its cells is its
    name.
    """
    fault = planting.fault
    if not fault.family == named.family == "cell" or planting.variant in (None, "alone"):
        return fault == named
    (ref, mine, bit), (other, its, its_bit) = (
        (each.chip or "").rsplit(".", 2) for each in (fault, named)
    )
    if (ref, bit, fault.level) != (other, its_bit, named.level):
        return False
    shared = _shared_bits(board.chip(ref), planting.variant)
    return (int(mine, 16) ^ int(its, 16)) & shared == 0


def _shared_bits(chip: Chip, way: str | None) -> int:
    """Address bits that the cells of a bad row or column have in common."""
    row = row_mask(chip)
    return row if way == "row" else ((chip.size or 1) - 1) & ~row


def row_mask(chip: Chip) -> int:
    """Address bits that choose a row: the lower half of the lines.

    So it is in dynamic RAM, which is refreshed by counting through them (common practice); in
    other memories makers differ.
    """
    lines = max((chip.size or 1) - 1, 0).bit_length()
    return (1 << max(lines // 2, 1)) - 1


def plane(plot: Plot) -> None:
    """One bit of every byte."""
    ref, bit_text = (plot.fault.chip or "").rsplit(".", 1)
    chip, mask = plot.memory(ref, "rom", "ram"), 1 << int(bit_text)
    if plot.variant == "weak":
        plot.planted.weak[chip] = plot.planted.weak.get(chip, 0) | mask
        return
    # The fault's id names no level: an output that died sits at one of the two.
    inside = plot.planted.inside_of(chip)
    keeps, sets = inside.plane
    inside.plane = (keeps & ~mask, sets | mask * int(plot.variant == "high"))


def retention(plot: Plot) -> None:
    """RAM that forgets."""
    _forget(plot, plot.memory(plot.fault.chips[0], "ram"))


def _forget(plot: Plot, bit: int) -> None:
    chip = plot.chip(bit)
    # The same chances whoever is to blame, so that one chip and its bank can forget alike.
    rng, size = plot.chances.stream("forgets", chip.ref), chip.size or 0
    # A dynamic RAM's rows are refreshed as wholes, a static one's cells have a supply each.
    rows = row_mask(chip) if is_dynamic(chip.part) else size - 1
    after = int(plot.chances.stream("forgets").integers(*FORGETS_WITHIN))
    left = rng.integers(256, size=size, dtype=np.uint8).tobytes()
    plot.planted.inside_of(bit).forgetting = Forgetting(after, rows, left)


# ---- I/O, CPU, groups


def register(plot: Plot) -> None:
    """An I/O chip, or a latch, that no longer does its work."""
    ref = plot.fault.chips[0].casefold()
    for state in plot.board.state_bits:
        if state.source and state.source.casefold() == ref:
            plot.planted.deaf.add(state.source)
            return
    bit = plot.memory(plot.fault.chips[0], "io", "logic", "other")
    plot.planted.inside_of(bit).ailment = plot.variant


def cpu(plot: Plot) -> None:
    """A CPU that breaks its sheet."""
    if plot.fault.chips[0].casefold() != plot.board.cpu.ref.casefold():
        raise plot.refuse(f"the CPU of {plot.board.name!r} is {plot.board.cpu.ref}")
    plot.planted.cpu = plot.variant


def shared(plot: Plot) -> None:
    """One cause behind a group."""
    groups = shared_groups(plot.board)
    cause = plot.fault.chip or ""
    if cause not in groups:
        known = ", ".join(groups) or "nothing"
        raise plot.refuse(f"what several chips share on this board is {known}")
    group = groups[cause]
    if group.kind == "ram-bank":
        _bank(plot, [plot.bit(ref) for ref in group.chips])
    elif group.kind == "clock":
        clock_gone(plot, "absent")
    elif group.kind == "buffer":
        _cut_off(plot, group.chips)
    else:
        chips = sum(1 << plot.bit(ref) for ref in group.chips)
        plot.planted.select_off |= chips
        if group.kind == "decoder":  # the select lines themselves stay at rest
            plot.planted.line_off |= chips


def _bank(plot: Plot, rams: list[int]) -> None:
    """What all RAM has from one place."""
    rng = plot.stream()
    line, level = int(rng.integers(3)), int(rng.integers(2))
    for bit in rams:
        lines = ((plot.chip(bit).size or 1) - 1).bit_length()
        half, dynamic = lines // 2, is_dynamic(plot.chip(bit).part)
        if plot.variant == "forgets":
            _forget(plot, bit)
        elif plot.variant == "address":
            for each in [line, line + half] if dynamic else [line]:
                plot.planted.address.add(f"chip:{bit}", "stuck", [each], level)
        elif plot.variant == "multiplexer":
            for row in range(half if dynamic else 0):
                plot.planted.address.add(f"chip:{bit}", "copies", [row + half, row])
        else:
            _silence(plot, bit)


def _cut_off(plot: Plot, refs: Iterable[str]) -> None:
    """No level passes between these chips and the CPU."""
    for ref in refs:
        plot.planted.silent |= 1 << plot.bit(ref)
        plot.planted.unheard |= 1 << plot.bit(ref)
        plot.planted.deaf.add(ref)


def clock(plot: Plot) -> None:
    """No clock, or one that stops."""
    clock_gone(plot, plot.fault.chip or "")


def clock_gone(plot: Plot, how: str) -> None:
    """Absent, or stopping."""
    if plot.planting.when.activity < 1:
        raise plot.refuse("a clock that is gone does not come back here")
    plot.planted.clock = how


def reset(plot: Plot) -> None:
    """Reset held, or coming again and again."""
    plot.planted.reset = plot.fault.chip


HANDLERS: dict[str, Callable[[Plot], None]] = {
    "silent": silent,
    "always": always,
    "doubled": doubled,
    "swapped": swapped,
    "content": content,
    "cell": cell,
    "plane": plane,
    "retention": retention,
    "register": register,
    "cpu": cpu,
    "shared": shared,
    "clock": clock,
    "reset": reset,
}
"""By family."""
