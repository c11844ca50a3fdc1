"""Faults of the nets: address, data and R/W stuck, open, joined, clips off, at every place.

Places that no probe at the CPU's pins can tell apart share one assumption, each under its own
name: a level that the CPU's pin holds is the bus's, a net that is open at its near end is open for
all that lies behind. An input that nothing drives acts high (TTL and NMOS levels; Fairchild
AN-363), so an open net is also a net stuck high for whatever is cut off.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, product

import numpy as np

from bustrace.faults import Fault
from bustrace.findings import (
    BEHIND,
    BUS,
    DECODER,
    EVERY_CHIP,
    FIRST_WINS,
    HIGH_WINS,
    LOW_WINS,
    PINS,
    READS,
    SECOND_WINS,
    WEAK_HIGH,
    WEAK_LOW,
    WRITES,
    Assumption,
    Evidence,
    sole_driver,
    wrong_bits,
)
from bustrace.hookup import ADDRESS_PINS, DATA_PINS

Proposal = tuple[str, Fault, Assumption]
"""Family of priors, the fault, and what it does."""

_HIGH = 1

_WEAK = (WEAK_HIGH, WEAK_LOW)
"""What a weak line does not bring, by the level that it shows instead."""

CLEARLY = 3
"""Undriven reads of one kind, for each of the other, that tell how the bus floats."""


def stuck(bit: int, level: int, width: int) -> tuple[int, int]:
    """and, or masks of a line stuck at a level."""
    full = (1 << width) - 1
    return (full & ~(1 << bit), 0) if level == 0 else (full, 1 << bit)


def line_faults(evidence: Evidence) -> Iterator[Proposal]:
    """Every fault of a net that the replay can try."""
    yield from _address_lines(evidence)
    yield from _data_lines(evidence)
    yield from _rw_line(evidence)
    wrong = _wrong_reads(evidence)
    yield from _address_shorts(evidence, wrong)
    yield from _data_shorts(evidence, wrong)


def _at(
    family: str, pin: str, level: int, places: tuple[str, ...], assumption: Assumption
) -> Iterator[Proposal]:
    """One assumption under the names of all places that it stands for."""
    for place in places:
        yield family, Fault("stuck", (pin,), level=level, place=place), assumption


def _open(
    pin: str, level: int, places: tuple[str, ...], does: Assumption, family: str = "open"
) -> Iterator[Proposal]:
    if level == _HIGH:
        for place in places:
            yield family, Fault("open", (pin,), place=place), does


def _address_pins(evidence: Evidence) -> tuple[str, ...]:
    """Those that the CPU has, A0 first."""
    return ADDRESS_PINS[: evidence.reading.board.address_mask.bit_length()]


def _address_lines(evidence: Evidence) -> Iterator[Proposal]:
    captured = evidence.reading.hookup.address_mask
    replay = evidence.replay
    for bit, pin in enumerate(_address_pins(evidence)):
        for level in (0, 1):
            low, high = stuck(bit, level, 16)
            behind = Assumption(decoder_and=low, decoder_or=high, chips_and=low, chips_or=high)
            on_bus = Assumption(
                decoder_and=low,
                decoder_or=high,
                chips_and=low,
                chips_or=high,
                clip_and=low,
                clip_or=high,
            )
            decoder = Assumption(decoder_and=low, decoder_or=high)
            if captured >> bit & 1:
                # Only `clip` and `bus` show at the clip itself.
                yield "clip", Fault("clip", (pin,)), Assumption(clip_and=low, clip_or=high)
            yield from _at("stuck-bus", pin, level, ("bus", "cpu"), on_bus)
            yield from _at("stuck-behind", pin, level, ("behind",), behind)
            yield from _open(pin, level, ("cpu", "behind"), behind)
            yield from _at("stuck-decoder", pin, level, ("decoder",), decoder)
            yield from _open(pin, level, ("decoder",), decoder)
            for chip, ref in enumerate(replay.chips):
                if (1 << bit) < replay.sizes[chip]:
                    at_pin = Assumption(pin_chips=1 << chip, pin_and=low, pin_or=high)
                    yield from _at("stuck-pin", pin, level, (ref,), at_pin)
                    yield from _open(pin, level, (ref,), at_pin, "open-pin")


def _data_lines(evidence: Evidence) -> Iterator[Proposal]:
    floating = _floats_high(evidence)
    for bit, pin in enumerate(DATA_PINS):
        for level in (0, 1):
            low, high = stuck(bit, level, 8)
            on_bus = Assumption(
                read_and=low,
                read_or=high,
                write_and=low,
                write_or=high,
                write_clip_and=low,
                write_clip_or=high,
            )
            reads = Assumption(read_and=low, read_or=high)
            writes = Assumption(write_and=low, write_or=high)
            behind = Assumption(read_and=low, read_or=high, write_and=low, write_or=high)
            yield from _at("stuck-bus", pin, level, ("bus", "cpu"), on_bus)
            yield from _at("stuck-read", pin, level, ("read",), reads)
            weak = Assumption(weak_chip=EVERY_CHIP, weak_lines=1 << bit, weak_way=_WEAK[level])
            yield from _at("weak", pin, level, ("read",), weak)
            yield from _open(pin, level, ("read",), reads)
            yield from _at("stuck-write", pin, level, ("write",), writes)
            yield from _open(pin, level, ("write",), writes)
            yield from _at("stuck-behind", pin, level, ("behind",), behind)
            yield from _open(pin, level, ("cpu", "behind"), behind)
            yield from _data_pins(evidence, bit, level, floating)


def _floats_high(evidence: Evidence) -> bool | None:
    """Whether reads that nobody answers go high as a whole, or keep the last byte; None where
    neither was seen clearly.
    """
    replay = evidence.replay
    row = replay.rows(replay.address)
    undriven = (row >= 0) & (replay.read == 1) & (replay.healthy.drivers == 0)
    undriven &= replay.banks.described[np.maximum(row, 0)] != 0
    undriven &= replay.data_known == 0xFF
    undriven[1:] &= (replay.data_known[:-1] == 0xFF) & (replay.data[:-1] != 0xFF)
    undriven[:1] = False
    at = np.flatnonzero(undriven)
    high = int((replay.data[at] == 0xFF).sum())
    kept = int((replay.data[at] == replay.data[at - 1]).sum())
    if max(high, kept) < CLEARLY * max(1, min(high, kept)):
        return None
    return high > kept


def _data_pins(
    evidence: Evidence, bit: int, level: int, floating: bool | None
) -> Iterator[Proposal]:
    """A data line at the pins of each chip that drives it.

    `floating` tells whether the undriven bus goes high, None where it was not seen to be undriven.
    """
    pin = DATA_PINS[bit]
    low, high = stuck(bit, level, 8)
    for chip, ref in enumerate(evidence.replay.chips):
        if not evidence.replay.lanes[chip] >> bit & 1:
            continue
        at_pin = Assumption(data_pin_chip=chip, data_pin_and=low, data_pin_or=high)
        yield from _at("stuck-pin", pin, level, (ref,), at_pin)
        # A bus that floats high makes an open output one that is stuck high; one that keeps its
        # last level does not.
        if floating is not False:
            family = "open-pin" if floating else "open-high"
            yield from _open(pin, level, (ref,), at_pin, family)
        floats = Assumption(data_open_chip=chip, data_open=1 << bit)
        yield from _open(pin, level, (ref,), floats, "open-pin")
        if evidence.reading.board.chip(ref).role in ("rom", "ram"):
            yield "plane", Fault("plane", chip=f"{ref}.{bit}"), at_pin
            weak = Assumption(weak_chip=chip, weak_lines=1 << bit, weak_way=_WEAK[level])
            yield "weak", Fault("plane", chip=f"{ref}.{bit}"), weak


def _rw_line(evidence: Evidence) -> Iterator[Proposal]:
    for level in (0, 1):
        yield "clip", Fault("clip", ("RW",)), Assumption(rw_clip=level)
        on_bus = Assumption(rw_clip=level, rw_seen=level)
        behind = Assumption(rw_seen=level)
        decoder = Assumption(rw_decoder=level)
        yield from _at("stuck-bus", "RW", level, ("bus", "cpu"), on_bus)
        yield from _at("stuck-behind", "RW", level, ("behind",), behind)
        yield from _open("RW", level, ("cpu", "behind"), behind)
        yield from _at("stuck-decoder", "RW", level, ("decoder",), decoder)
        yield from _open("RW", level, ("decoder",), decoder)
        for chip, ref in enumerate(evidence.replay.chips):
            if evidence.reading.board.chip(ref).role == "rom":
                continue  # it has no such pin
            at_pin = Assumption(rw_line_chip=chip, rw_line_seen=level)
            yield from _at("stuck-pin", "RW", level, (ref,), at_pin)
            yield from _open("RW", level, (ref,), at_pin)


_WINS = (LOW_WINS, HIGH_WINS, FIRST_WINS, SECOND_WINS)
"""Whose level two joined lines take: mostly the low one's (NMOS and TTL pull down harder than up),
with CMOS drivers the stronger's."""


def _address_shorts(evidence: Evidence, wrong: list[bool]) -> Iterator[Proposal]:
    replay = evidence.replay
    pins = _address_pins(evidence)
    places = (("bus", BUS), ("cpu", BUS), ("behind", BEHIND), ("decoder", DECODER))
    for a, b in combinations(range(len(pins)), 2):
        names = (pins[a], pins[b])
        for (place, at), wins in product(places, _WINS):
            joined = Assumption(short_a=a, short_b=b, short_place=at, short_wins=wins)
            yield "short", Fault("short", names, place=place), joined
        for chip, ref in enumerate(replay.chips):
            for wins in _WINS if wrong[chip] else _WINS[:1]:
                if (1 << b) < replay.sizes[chip]:
                    joined = Assumption(
                        short_a=a, short_b=b, short_place=PINS + chip, short_wins=wins
                    )
                    yield "short-pins", Fault("short", names, place=ref), joined


def _data_shorts(evidence: Evidence, wrong: list[bool]) -> Iterator[Proposal]:
    replay = evidence.replay
    places = (("bus", BUS), ("cpu", BUS), ("behind", BEHIND), ("read", READS), ("write", WRITES))
    for a, b in combinations(range(8), 2):
        names = (DATA_PINS[a], DATA_PINS[b])
        for (place, at), wins in product(places, _WINS):
            joined = Assumption(
                data_short_a=a, data_short_b=b, data_short_place=at, short_wins=wins
            )
            yield "short", Fault("short", names, place=place), joined
        for chip, ref in enumerate(replay.chips):
            for wins in _WINS if wrong[chip] else _WINS[:1]:
                if int(replay.lanes[chip]) >> a & int(replay.lanes[chip]) >> b & 1:
                    joined = Assumption(
                        data_short_a=a,
                        data_short_b=b,
                        data_short_place=PINS + chip,
                        short_wins=wins,
                    )
                    yield "short-pins", Fault("short", names, place=ref), joined


def _wrong_reads(evidence: Evidence) -> list[bool]:
    """Whether a chip gave wrong bits on its own data lines: its own pins are tried in every way
    only then.
    """
    off, lanes = wrong_bits(evidence), evidence.replay.lanes
    chips = range(len(evidence.replay.chips))
    return [bool((off[sole_driver(evidence, chip)] & lanes[chip]).any()) for chip in chips]
