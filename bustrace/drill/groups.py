"""Groups of chips that one cause can stop together, and the word that names the cause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bustrace.board.model import Board
from bustrace.faults import RAM_BANK, rail_word


@dataclass(frozen=True, slots=True)
class Group:
    """Parts that one cause stops.

    Attributes
    ----------
    kind : {"ram-bank", "decoder", "buffer", "rail", "clock"}
    chips : tuple of str
        Those of the address map.
    """

    kind: Literal["ram-bank", "decoder", "buffer", "rail", "clock"]
    chips: tuple[str, ...]


def shared_groups(board: Board) -> dict[str, Group]:
    """What can fail at once on a board, by the word of its ``shared:`` fault.

    - ``ram-bank``: all RAM, where it is several chips: their supply, RAS, CAS, the address
      multiplexer, refresh.
    - A decoder that selects several chips, a data buffer with several chips behind it, by
      reference: its supply or its enable.
    - ``rail-12V``, ``rail-minus5V``: a rail that the board file gives for several chips, not all.
    - The chip that makes the clock, where it makes the reset too.

    One cause behind a single chip is that chip's own.
    """
    refs = board.map.chips
    found = {}
    rams = tuple(chip.ref for chip in board.mapped if chip.role == "ram")
    if len(rams) > 1:
        found[RAM_BANK] = Group("ram-bank", rams)
    for decoder in board.decoders:
        served = {ref for output in decoder.outputs for ref in output.chips}
        for chip in board.mapped:
            nets = [net for pin in chip.decoding.enable for net in pin.nets]
            if any(net.kind == "output" and net.chip == decoder.ref for net in nets):
                served.add(chip.ref)
        if len(served) > 1:
            found[decoder.ref] = Group("decoder", tuple(ref for ref in refs if ref in served))
    for buffer in board.buffers:
        behind = behind_buffer(board, buffer.ref)
        if len(behind) > 1:
            found[buffer.ref] = Group("buffer", behind)
    if board.clock_from is not None and board.clock_from == board.reset_from:
        found.setdefault(board.clock_from, Group("clock", ()))
    return found | _rails(board)


def behind_buffer(board: Board, ref: str) -> tuple[str, ...]:
    """Chips of the map whose data lines all pass through a fitted buffer, straight or by others."""
    mask, waiting, seen = 0, [ref], set()
    for buffer in board.buffers:
        if buffer.ref == ref and buffer.fitted:
            mask |= buffer.data_mask
    while waiting:
        here = waiting.pop()
        if here not in seen:
            seen.add(here)
            waiting += [to for buffer in board.buffers if buffer.ref == here for to in buffer.to]
    lanes = zip(board.map.chips, board.map.data_masks.tolist(), strict=True)
    return tuple(chip for chip, lane in lanes if chip in seen and lane and not lane & ~mask)


def _rails(board: Board) -> dict[str, Group]:
    on: dict[str, list[str]] = {}
    for chip in board.mapped:
        for rail in chip.rails:
            on.setdefault(rail_word(rail), []).append(chip.ref)
    return {
        rail: Group("rail", tuple(refs))
        for rail, refs in on.items()
        if 1 < len(refs) < len(board.mapped)
    }
