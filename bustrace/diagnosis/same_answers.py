"""Assumptions under which the chips answer the same in a capture, told without a replay.

Most faults of the address at a chip's own pins act like others there: two lines that never differ
where the chip is asked may touch, and which of two cells a RAM takes for another makes no
difference while nobody knows what it held at first. And lines at which no decoder looks may touch
there. One of them is replayed for all.
"""

from __future__ import annotations

from functools import lru_cache
from hashlib import blake2b

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.joining import changed
from bustrace.findings import (
    DECODER,
    FIRST_WINS,
    HIGH_WINS,
    LOW_WINS,
    PINS,
    Assumption,
    Evidence,
)

Addresses = npt.NDArray[np.int64]

Seen = tuple[tuple[int, bytes], ...]
"""What arrives at each chip, told in few bytes."""

Besides = tuple[tuple[str, int], ...]

THE_DECODERS = -1
"""In place of a chip."""

_DECODED = frozenset({"decoder_and", "decoder_or"})
_AT_PINS = frozenset({"pin_chips", "pin_and", "pin_or", "pin_half"})
_JOINED = frozenset({"short_a", "short_b", "short_place", "short_wins"})

_ASKED_NO_MORE = {
    *_AT_PINS, *_JOINED, "data_pin_chip", "data_pin_and", "data_pin_or", "data_open_chip",
    "data_open", "read_and", "read_or", "weak_chip", "weak_lines", "weak_way", "clip_and",
    "clip_or", "rw_clip", "select_clip", "select_clip_on", "write_clip_and", "write_clip_or",
    "io_ill", "io_way", "silent", "deaf", "loose", "select_off", "select_hidden",
}  # fmt: skip
"""What may be wrong besides: with it no chip is asked where it is not on a healthy board, and no
cell is told by its number."""


class SameAnswers:
    """Stands one assumption in for all that give the same answers in a capture."""

    def __init__(self, evidence: Evidence) -> None:
        self._replay, board = evidence.replay, evidence.reading.board
        self._is_ram = [board.chip(ref).role == "ram" for ref in self._replay.chips]
        unsure = (self._replay.meant_address >= 0) & (self._replay.healthy.bank < 0)
        self._tells = not bool(unsure.any())  # else a write may reach what is not addressed
        meant = np.unique(self._replay.meant_address).astype(np.int64)
        self._meant = meant[meant >= 0]
        self._asked: dict[int, tuple[Addresses, Addresses]] = {}
        self._alone: dict[int, npt.NDArray[np.intp]] = {}
        self._first: dict[tuple[Besides, Seen], Assumption] = {}
        self._known: dict[Assumption, Assumption] = {}

    def stand_in(self, assumption: Assumption) -> Assumption:
        """The first that was asked for of those with the same answers."""
        if assumption not in self._known:
            self._known[assumption] = self._stand_in(assumption)
        return self._known[assumption]

    def _stand_in(self, assumption: Assumption) -> Assumption:
        chips = _touched(assumption)
        if _at_the_decoder(assumption):
            besides = _without(assumption, _DECODED | _JOINED)
            told_apart: Seen = ((THE_DECODERS, self._decoded(assumption)),)
        elif self._tells and chips and _asks_no_more(assumption):
            besides = _without(assumption, _AT_PINS | _JOINED)
            asked = ((chip, self._told_apart(assumption, chip)) for chip in chips)
            told_apart = tuple((chip, places) for chip, places in asked if places)
        else:
            return assumption
        return self._first.setdefault((besides, told_apart), assumption)

    def _decoded(self, assumption: Assumption) -> bytes:
        """What the decoders make of each address that the CPU meant."""
        arrives = self._meant
        if assumption.short_a >= 0:
            arrives = _joined(assumption, arrives)
        arrives = arrives & assumption.decoder_and | assumption.decoder_or
        banks = self._replay.banks
        return _short_of(banks.rows[:, arrives], banks.changes[:, :, arrives])

    def _told_apart(self, assumption: Assumption, chip: int) -> bytes:
        """Where a chip looks in place of each address that it is asked for; empty where that is as
        on a healthy board. Of a RAM, the first address with which each shares its cell.
        """
        address, bank = self._addresses(chip)
        arrives = _at_pins(assumption, chip, address)
        if not self._is_ram[chip]:
            return b"" if (arrives == address).all() else _short_of(arrives)
        shared = _first_alike(self._cells(chip, arrives, bank))
        if chip not in self._alone:
            self._alone[chip] = _first_alike(self._cells(chip, address, bank))
        return b"" if (shared == self._alone[chip]).all() else _short_of(shared)

    def _cells(self, chip: int, address: Addresses, bank: Addresses) -> Addresses:
        banks = self._replay.banks
        cells: Addresses = banks.inner[chip, address] + banks.page[bank, chip]
        return cells

    def _addresses(self, chip: int) -> tuple[Addresses, Addresses]:
        """Every address at which a chip is asked in the capture, and its bank."""
        if chip not in self._asked:
            cycles = self._replay.answered_by(chip)
            bank = self._replay.healthy.bank[cycles].astype(np.int64)
            places = np.unique(bank << 16 | self._replay.address[cycles])
            self._asked[chip] = places & 0xFFFF, places >> 16
        return self._asked[chip]


@lru_cache(maxsize=2)  # all cycles, and those in which one more fault is looked for
def same_answers(evidence: Evidence) -> SameAnswers:
    """What is known so far of assumptions in a capture."""
    return SameAnswers(evidence)


def _without(assumption: Assumption, names: frozenset[str]) -> Besides:
    """What is wrong besides what has these names."""
    return tuple(each for each in changed(assumption).items() if each[0] not in names)


def _at_the_decoder(assumption: Assumption) -> bool:
    """Whether other addresses arrive at the decoders, and two lines touch there if anywhere."""
    joined = assumption.short_a >= 0
    if joined and assumption.short_place != DECODER:
        return False
    return joined or (assumption.decoder_and, assumption.decoder_or) != (0xFFFF, 0)


def _touched(assumption: Assumption) -> list[int]:
    """Chips at whose own pins another address arrives."""
    chips = assumption.pin_chips
    if assumption.short_a >= 0 and assumption.short_place >= PINS:
        chips |= 1 << (assumption.short_place - PINS)
    return [chip for chip in range(chips.bit_length()) if chips >> chip & 1]


def _asks_no_more(assumption: Assumption) -> bool:
    """Whether the chips are asked for no more than on a healthy board but at their pins."""
    if assumption.short_a >= 0 and assumption.short_place < PINS:
        return False
    return changed(assumption).keys() <= _ASKED_NO_MORE


def _at_pins(assumption: Assumption, chip: int, address: Addresses) -> Addresses:
    """Address that arrives at a chip's pins, see `Assumption`."""
    if not assumption.pin_chips >> chip & 1:
        return _joined(assumption, address)
    at = address & assumption.pin_and | assumption.pin_or
    half = abs(assumption.pin_half)
    if half:
        low = (1 << half) - 1
        one = at >> half & low if assumption.pin_half > 0 else at & low
        at = at & ~(low | low << half) | one | one << half
    return at


def _joined(assumption: Assumption, address: Addresses) -> Addresses:
    """An address of which two lines are joined."""
    a, b, wins = assumption.short_a, assumption.short_b, assumption.short_wins
    one, other = address >> a & 1, address >> b & 1
    if wins == LOW_WINS:
        level = one & other
    elif wins == HIGH_WINS:
        level = one | other
    else:
        level = one if wins == FIRST_WINS else other
    return address & ~(1 << a | 1 << b) | level << a | level << b


def _short_of(*columns: npt.NDArray[np.signedinteger]) -> bytes:
    """Few bytes for many, which are the same for the same alone."""
    digest = blake2b(digest_size=16)
    for column in columns:
        digest.update(column.tobytes())
    return digest.digest()


def _first_alike(values: Addresses) -> npt.NDArray[np.intp]:
    """Place of the first of each value's like."""
    _, first, which = np.unique(values, return_index=True, return_inverse=True)
    return first[which]
