"""A fault as it is planted: in which way it shows itself, and in which cycles."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board
from bustrace.drill.chips import Registers
from bustrace.drill.io_chips import io_chip
from bustrace.drill.model import select_active, select_name
from bustrace.drill.nets import group_of_line
from bustrace.faults import RAM_BANK, Fault

_FIGHTS = ("low", "high", "stronger", "marginal")
_VARIANTS: dict[str, tuple[str, ...]] = {
    "short": ("low", "high", "stronger"),
    "plane": ("low", "high", "weak"),
    "silent": ("dead", "late"),
    "always": _FIGHTS,
    "doubled": _FIGHTS,
    "content": ("rot", "blank", "revision"),
    "cell": ("alone", "row", "column"),
    "cpu": ("opcode", "flag"),
}
_BANK = ("dead", "forgets", "late", "address")
_ONE_WAY = ("plain",)
_BUS_CLIP = ("low", "high", "copies", "exchanged", "inverted")

DRAWN = {"clip": ("low", "high"), "plane": ("low", "high")}
"""Families whose variant is left to chance where none is named, and among which."""

DYNAMIC = ("4116", "4416", "4164", "41464")
"""Parts of RAM whose row and column share the address pins (numbers from memory)."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """In which cycles a fault acts.

    Attributes
    ----------
    onset : int
        First cycle in which it may.
    activity : float
        Share of the cycles from there on in which it does.
    burst : int
        It comes and goes in runs of so many cycles: a joint that moves makes long ones.

    Raises
    ------
    ValueError
        An onset below 0, an activity outside 0 to 1, a burst below 1.
    """

    onset: int = 0
    activity: float = 1.0
    burst: int = 1

    def __post_init__(self) -> None:
        if self.onset < 0 or not 0 < self.activity <= 1 or self.burst < 1:
            raise ValueError(f"no such occurrence: {self}")

    @property
    def permanent(self) -> bool:
        """From the first cycle to the last."""
        return self.onset == 0 and self.activity == 1

    def acts(self, cycles: int, seed: int) -> npt.NDArray[np.bool_]:
        """Whether it acts, in each cycle: bool, shape (cycles,). The same for the same seed."""
        acting = np.ones(cycles, np.bool_)
        if self.activity < 1:
            share = round(self.activity * 1_000_000)
            rng = np.random.default_rng((seed, 3, self.onset, share, self.burst))
            # Drawn first, so that a longer run begins like a shorter one.
            start = int(rng.integers(self.burst))
            runs = rng.random(cycles // self.burst + 2) < self.activity
            acting = np.repeat(runs, self.burst)[start : start + cycles]
        acting[: self.onset] = False
        return acting


ALWAYS = Occurrence()


@dataclass(frozen=True, slots=True)
class Planting:
    """A fault, how it shows itself, and when.

    Attributes
    ----------
    fault : Fault
    variant : str or None
        One of `variants_of` or `every_way`; None: the first of `variants_of`, or for the families
        of `DRAWN` one by chance.
    when : Occurrence
    """

    fault: Fault
    variant: str | None = None
    when: Occurrence = ALWAYS

    def __str__(self) -> str:
        words = [str(self.fault)]
        if self.variant is not None:
            words.append(self.variant)
        if self.when.onset:
            words.append(f"from cycle {self.when.onset}")
        if self.when.activity < 1:
            share = f"in {100 * self.when.activity:g} % of the cycles"
            words.append(f"{share}, {self.when.burst} at a time")
        return ", ".join(words)


def as_planting(fault: Planting | Fault | str) -> Planting:
    """A fault or its id as one that acts always.

    Raises
    ------
    ValueError
        No fault id.
    """
    if isinstance(fault, Planting):
        return fault
    return Planting(fault if isinstance(fault, Fault) else Fault.parse(fault))


def variants_of(board: Board, fault: Fault) -> tuple[str, ...]:
    """The ways in which a fault can show itself on a board, the plainest first.

    - short: the ``low`` level wins, the ``high``, or the ``stronger`` line. Two chips that drive
      one line (``always``, ``doubled``): the same, or a ``marginal`` level between the two, which
      the clip and the CPU may take for different ones.
    - clip: off, and so ``low`` or ``high``; ``copies`` the line beside it; ``exchanged`` with it;
      ``inverted``.
    - silent: ``dead``, or so ``late`` that the CPU has taken the byte before.
    - plane: the output is ``low``, ``high``, or too ``weak`` to reach a good high level.
    - content: bits that ``rot``, a ``blank`` ROM, one of another ``revision``.
    - cell: it ``alone``, or the whole ``row`` or ``column`` of the array that it lies in.
    - register: of a latch ``deaf``; of an I/O chip what `bustrace.drill.chips` knows.
    - cpu: one ``opcode`` is obeyed as another, or one ``flag`` never moves.
    - shared: all chips of the group ``dead``; of a bank of RAM also: without refresh, so that it
      ``forgets``; ``late``; a line of the ``address`` multiplexer stuck; of dynamic RAM the
      ``multiplexer`` never switching, so that the row's lines come as the column's too.
    - stuck, open: an address ``line`` inside a dynamic RAM, or its ``pin``, which carries two; a
      select that is always active, and so chips that drive one line: as for ``always``.
    """
    family = fault.family
    if family == "clip":
        group, _ = group_of_line(fault.lines[0])
        return _BUS_CLIP if group in ("address", "data") else ("low", "high")
    if family == "shared":
        dynamic = any(chip.role == "ram" and is_dynamic(chip.part) for chip in board.mapped)
        bank = (*_BANK, "multiplexer") if dynamic else _BANK
        return bank if fault.chip == RAM_BANK else ("dead",)
    if family == "silent" and fault.chips[0] in {buffer.ref for buffer in board.buffers}:
        return ("dead",)
    if family == "register":
        return _register_variants(board, fault.chips[0])
    if family in ("stuck", "open") and _is_multiplexed(board, fault):
        return ("line", "pin")
    if family in ("stuck", "open") and _always_selects(board, fault):
        return _FIGHTS
    return _VARIANTS.get(family, _ONE_WAY)


def every_way(board: Board, fault: Fault) -> tuple[str, ...]:
    """`variants_of` with nothing left to chance that the variant can name.

    The line of a short whose driver is the stronger is the seed's to draw; here each line in turn
    stands for that one way.
    """
    ways = variants_of(board, fault)
    if fault.family != "short":
        return ways
    return (*(way for way in ways if way != "stronger"), *fault.lines)


def settled(
    board: Board, plantings: Iterable[Planting], rng: np.random.Generator
) -> tuple[Planting, ...]:
    """The plantings with every variant named; what was left open is drawn.

    Raises
    ------
    ValueError
        A variant that the fault has not on this board.
    """
    done = []
    for planting in plantings:
        variant, known = planting.variant, variants_of(board, planting.fault)
        if variant is None:
            drawn = DRAWN.get(planting.fault.family)
            variant = drawn[int(rng.integers(2))] if drawn else known[0]
        if variant not in (*known, *every_way(board, planting.fault)):
            raise ValueError(f"{planting.fault} shows itself as {', '.join(known)}, not {variant}")
        done.append(Planting(planting.fault, variant, planting.when))
    return tuple(done)


def acting_sets(plantings: Sequence[Planting], cycles: int, seed: int) -> npt.NDArray[np.int64]:
    """Which plantings act in each cycle: int64 masks, shape (cycles,), bit i the i-th."""
    masks = np.zeros(cycles, np.int64)
    for place, planting in enumerate(plantings):
        masks |= planting.when.acts(cycles, seed).astype(np.int64) << place
    return masks


def is_dynamic(part: str) -> bool:
    """Whether a part of RAM has rows that must be refreshed."""
    return any(number in part for number in DYNAMIC)


def _is_multiplexed(board: Board, fault: Fault) -> bool:
    if group_of_line(fault.lines[0])[0] != "address":
        return False
    refs = [ref.casefold() for ref in board.map.chips]
    place = (fault.place or "").casefold()
    return place in refs and is_dynamic(board.mapped[refs.index(place)].part)


def _always_selects(board: Board, fault: Fault) -> bool:
    """Whether it ties a chip's select to the level at which the chip answers."""
    for chip in board.mapped:
        if fault.lines[0].casefold() == select_name(chip.ref).casefold():
            level = 1 if fault.level is None else fault.level  # an open input acts high
            return level == select_active(chip) and fault.place != "clip"
    return False


def _register_variants(board: Board, ref: str) -> tuple[str, ...]:
    if ref.casefold() in {(bit.source or "").casefold() for bit in board.state_bits}:
        return ("deaf",)
    chip = next((chip for chip in board.mapped if chip.ref.casefold() == ref.casefold()), None)
    if chip is None or chip.role in ("rom", "ram"):
        return _ONE_WAY
    ails = io_chip(chip.part, chip.size or 0).AILMENTS
    asks = board.has_pin("IRQ") and (not board.irq_from or chip.ref in board.irq_from)
    return tuple(word for word in ails if asks or word not in Registers.ABOUT_IRQ)
