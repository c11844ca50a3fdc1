"""From wiring and ranges to the table of who answers where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import (
    N_ADDRESSES,
    READ,
    WRITE,
    AddressMap,
    Chip,
    Decoder,
    EnablePin,
    Net,
)
from bustrace.board.values import TOP

MAX_MAPPED = 32
"""Chips in one map: its tables have 32 bits."""

Levels = npt.NDArray[np.bool_]
"""Level of a net for each R/W and address: bool, shape (2, 65536)."""

_ADDRESSES = np.arange(N_ADDRESSES, dtype=np.uint32)


class WiringLoop(ValueError):
    """Decoders that feed each other in a circle."""


def decode_138(inputs: Sequence[Levels], enables: Sequence[Levels]) -> Levels:
    """Outputs of a 74x138.

    Enabled if and only if G1 is high, G2A and G2B are low; then output n = 4C + 2B + A is low,
    else all are high (TI SN74HCT138, SCLS171E, page 2; the LS part is the same).

    Parameters
    ----------
    inputs : A, B, C, bool arrays of one shape
    enables : G1, G2A, G2B

    Returns
    -------
    bool, shape (8, ...): levels of Y0 to Y7.
    """
    a, b, c = inputs
    g1, g2a, g2b = enables
    enabled = g1 & ~g2a & ~g2b
    number = 4 * c.astype(np.uint8) + 2 * b.astype(np.uint8) + a.astype(np.uint8)
    return np.stack([~(enabled & (number == output)) for output in range(8)])


class Wiring:
    """Levels of nets while phase 2 is at one level.

    Parameters
    ----------
    decoders : sequence of Decoder
    phi2 : bool
        True is the read window, where a chip's whole enable is judged.
    """

    def __init__(self, decoders: Sequence[Decoder], phi2: bool = True) -> None:
        self._decoders = {decoder.ref: decoder for decoder in decoders}
        self._phi2 = phi2
        self._outputs: dict[str, Levels | None] = {}
        self._open: list[str] = []

    def level(self, net: Net) -> Levels | None:
        """Level of a net, or None when it hangs on a decoder that is not fitted.

        Raises
        ------
        WiringLoop
            The net depends on itself.
        """
        if net.kind == "address":
            row = (_ADDRESSES >> np.uint32(net.index)) & 1 == 1
            level = np.broadcast_to(row, (2, N_ADDRESSES))
        elif net.kind == "rw":
            level = np.broadcast_to(np.array([[False], [True]]), (2, N_ADDRESSES))
        elif net.kind == "output":
            outputs = self._decode(net.chip)
            if outputs is None:
                return None
            level = outputs[net.index]
        else:
            high = self._phi2 if net.kind == "phi2" else bool(net.index)
            level = np.broadcast_to(np.bool_(high), (2, N_ADDRESSES))
        return ~level if net.inverted else level

    def active(self, pin: EnablePin) -> Levels | None:
        """Where an enable pin is at its active level; None when that is not known."""
        found = np.zeros((2, N_ADDRESSES), dtype=np.bool_)
        for net in pin.nets:
            level = self.level(net)
            if level is None:
                return None
            found |= level == bool(pin.active)
        return found

    def _decode(self, ref: str) -> Levels | None:
        if ref in self._open:
            raise WiringLoop(" -> ".join([*self._open[self._open.index(ref) :], ref]))
        if ref not in self._outputs:
            decoder = self._decoders[ref]
            self._open.append(ref)
            levels = [self.level(net) for net in (*decoder.inputs, *decoder.enables)]
            self._open.pop()
            known = [level for level in levels if level is not None]
            self._outputs[ref] = (
                decode_138(known[:3], known[3:]) if decoder.fitted and len(known) == 6 else None
            )
        return self._outputs[ref]


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """Where one chip is addressed.

    Attributes
    ----------
    answers : bool, shape (2, 65536)
        Its whole enable holds in the read window. False everywhere when not known.
    asserts, asserts_known : bool, shape (2, 65536)
        Its select line is active, and where that is sure.
    gated : bool or None
        The select line needs phase 2 high; None when ranges alone are given.
    known : bool
        False: the chip hangs on a decoder that is not fitted.
    """

    answers: Levels
    asserts: Levels
    asserts_known: Levels
    gated: bool | None
    known: bool


def select_pin(chip: Chip) -> EnablePin | None:
    """The enable pin that a chip's select line is: the one named in the file, else the first one
    fed by a decoder, else the first; None without wiring.
    """
    pins = chip.decoding.enable
    named = [pin for pin in pins if pin.name == chip.decoding.select_pin]
    decoded = [pin for pin in pins if any(net.kind == "output" for net in pin.nets)]
    return next(iter([*named, *decoded, *pins]), None)


def select_chip(chip: Chip, decoders: Sequence[Decoder]) -> Selection:
    """Where a chip is addressed, and where its select line is active.

    Raises
    ------
    WiringLoop
        The wiring runs in a circle.
    """
    decoding = chip.decoding
    wiring = Wiring(decoders)
    answers = np.ones((2, N_ADDRESSES), dtype=np.bool_)
    known = True
    for pin in decoding.enable:
        active = wiring.active(pin)
        known = known and active is not None
        answers &= active if active is not None else np.False_
    ranges = np.ones((2, N_ADDRESSES), dtype=np.bool_)
    if decoding.by_range:
        ranges[READ] = _covered(decoding.read_ranges, decoding.undecoded)
        ranges[WRITE] = _covered(decoding.write_ranges, decoding.undecoded)
        answers &= ranges
    never_written = chip.role == "rom" and not decoding.writes_stated
    pin_chosen = select_pin(chip)
    gated: bool | None = None
    if pin_chosen is not None:
        level = wiring.active(pin_chosen)
        asserts = level if level is not None else np.zeros_like(answers)
        sure = np.full_like(answers, level is not None)
        idle = Wiring(decoders, phi2=False).active(pin_chosen)
        if level is not None and idle is not None and level.any():
            gated = not bool(idle.any())
    else:
        asserts = ranges.copy()
        # A direction the ranges leave out says nothing where the other direction is addressed:
        # whether R/W takes part in the select line is not told.
        sure = asserts | ~asserts[::-1]
        if never_written:
            sure[WRITE] &= ~asserts[READ]
    if never_written:
        answers[WRITE] = False
    return Selection(answers, asserts, sure, gated, known)


def build_map(chips: Sequence[Chip], decoders: Sequence[Decoder], complete: bool) -> AddressMap:
    """Table of who answers where.

    Parameters
    ----------
    chips : sequence of Chip
        Those with a decoding enter the map, in this order; each needs a size.
    decoders : sequence of Decoder
    complete : bool
        The file lists every address that is used.

    Raises
    ------
    ValueError
        More than 32 chips, or one without a size.
    WiringLoop
        The wiring runs in a circle.
    """
    mapped = [chip for chip in chips if chip.decoding.addressed]
    if len(mapped) > MAX_MAPPED:
        raise ValueError(f"an address map holds at most {MAX_MAPPED} chips, not {len(mapped)}")
    responds = np.zeros((2, N_ADDRESSES), dtype=np.uint32)
    asserts, asserts_known = np.zeros_like(responds), np.zeros_like(responds)
    inner = np.zeros((len(mapped), N_ADDRESSES), dtype=np.int32)
    offsets = np.full_like(inner, -1)
    everything_known = True
    for index, chip in enumerate(mapped):
        if chip.size is None:
            raise ValueError(f"{chip.ref} has no size")
        selection = select_chip(chip, decoders)
        everything_known = everything_known and selection.known
        bit = np.uint32(1 << index)
        answers = selection.answers & chip.fitted
        responds |= answers * bit
        asserts |= selection.asserts * bit
        asserts_known |= selection.asserts_known * bit
        inner[index] = inner_addresses(chip)
        here = answers.any(axis=0)
        offsets[index, here] = inner[index, here]
    # With a decoder out of its socket its outputs float: what then answers is anybody's guess.
    described = np.full(N_ADDRESSES, complete and everything_known)
    described |= (responds != 0).any(axis=0) | (asserts & asserts_known != 0).any(axis=0)
    return AddressMap(
        chips=tuple(chip.ref for chip in mapped),
        responds=responds,
        asserts=asserts,
        asserts_known=np.where(described, asserts_known, np.uint32(0)),
        offsets=offsets,
        inner=inner,
        described=described,
        data_masks=np.array([chip.data_mask for chip in mapped], dtype=np.uint8),
    )


def inner_addresses(chip: Chip) -> npt.NDArray[np.int64]:
    """Address within the chip at every address of the CPU, selected or not.

    Undecoded lines are first brought back to the range that was given, then the chip repeats
    every `Chip.size` from `Chip.base`.

    Returns
    -------
    int64, shape (65536,)
    """
    if chip.size is None:
        raise ValueError(f"{chip.ref} has no size")
    inner: npt.NDArray[np.int64] = (_canonical(chip).astype(np.int64) - chip.base) % chip.size
    return inner


def _canonical(chip: Chip) -> npt.NDArray[np.uint32]:
    """For each address the lowest one in the given ranges that looks the same to the decoding."""
    decoding = chip.decoding
    if not decoding.undecoded:
        return _ADDRESSES
    seen = np.uint32(~decoding.undecoded & TOP)
    lowest = np.full(N_ADDRESSES, TOP, dtype=np.uint32)
    for first, last in (*decoding.read_ranges, *decoding.write_ranges):
        given = _ADDRESSES[first : last + 1]
        np.minimum.at(lowest, given & seen, given)
    canonical: npt.NDArray[np.uint32] = lowest[_ADDRESSES & seen]
    return canonical


def _covered(ranges: Sequence[tuple[int, int]], undecoded: int) -> npt.NDArray[np.bool_]:
    """Addresses that equal one of the ranges on all decoded lines: bool, shape (65536,)."""
    seen = np.uint32(~undecoded & TOP)
    hit = np.zeros(N_ADDRESSES, dtype=np.bool_)
    for first, last in ranges:
        hit[_ADDRESSES[first : last + 1] & seen] = True
    covered: npt.NDArray[np.bool_] = hit[_ADDRESSES & seen]
    return covered
