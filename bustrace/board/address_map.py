"""From wiring and ranges to the table of who answers where."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import N_ADDRESSES, READ, WRITE, AddressMap, Chip
from bustrace.board.values import TOP
from bustrace.board.wires import Buffer, Decoder, EnablePin, Net, Output

MAX_MAPPED = 32
"""Chips in one map: its tables have 32 bits."""

Levels = npt.NDArray[np.bool_]
"""Level of a net for each R/W and address: bool, shape (2 or 1, 65536 or 1); axis of length 1:
the level does not depend on it."""

_ADDRESSES = np.arange(N_ADDRESSES, dtype=np.uint32)
_WHOLE = (2, N_ADDRESSES)


MAX_LOOKUPS = 4096
"""Pins and outputs of decoders times states gone through when a board is loaded: some seconds."""


class WiringLoop(ValueError):
    """Decoders that feed each other in a circle."""


class TooMuchWiring(ValueError):
    """More outputs and states than can be gone through."""


class Wiring:
    """Levels of nets while phase 2 is at one level and the state bits have one value.

    Parameters
    ----------
    decoders : sequence of Decoder
    phi2 : bool
        True is the read window, where a chip's whole enable is judged.
    state : int
        Values of the state bits.
    """

    def __init__(self, decoders: Sequence[Decoder], phi2: bool = True, state: int = 0) -> None:
        self.state = state
        self._decoders = {decoder.ref: decoder for decoder in decoders}
        self._phi2 = phi2
        self._levels: dict[tuple[str, str], Levels | None] = {}
        self._open: list[tuple[str, str]] = []

    def level(self, net: Net) -> Levels | None:
        """Level of a net, or None when it hangs on a decoder that is not fitted.

        Raises
        ------
        WiringLoop
            The net depends on itself.
        """
        if net.kind == "address":
            level = ((_ADDRESSES >> np.uint32(net.index)) & 1 == 1)[np.newaxis, :]
        elif net.kind == "rw":
            level = np.array([[False], [True]])
        elif net.kind == "output":
            found = self._output(net)
            if found is None:
                return None
            level = found
        else:
            level = np.array([[self._constant(net)]])
        return np.asarray(level != net.inverted)

    def active(self, pin: EnablePin) -> Levels | None:
        """Where an enable pin is at its active level, or None when that is not known.

        Returns
        -------
        bool, shape (2, 65536)
        """
        found = np.zeros(_WHOLE, dtype=np.bool_)
        for net in pin.nets:
            level = self.level(net)
            if level is None:
                return None
            found |= level == bool(pin.active)
        return found

    def _constant(self, net: Net) -> bool:
        if net.kind == "phi2":
            return self._phi2
        if net.kind == "state":
            return bool(self.state >> net.index & 1)
        return bool(net.index)

    def _output(self, net: Net) -> Levels | None:
        key = (net.chip, net.name)
        if key in self._open:
            circle = [*self._open[self._open.index(key) :], key]
            raise WiringLoop(" -> ".join(f"{chip}.{name}" for chip, name in circle))
        if key not in self._levels:
            output = _output_of(net, self._decoders)
            self._open.append(key)
            levels = [self.level(wired) for wired in output.inputs]
            self._open.pop()
            known = [level for level in levels if level is not None]
            sure = self._decoders[net.chip].fitted and len(known) == len(levels)
            self._levels[key] = _looked_up(output, known) if sure else None
        return self._levels[key]


def _output_of(net: Net, decoders: dict[str, Decoder]) -> Output:
    output = decoders[net.chip].output(net.name)
    if output is None:
        raise ValueError(f"{net} is no output of a decoder")
    return output


def _looked_up(output: Output, levels: Sequence[Levels]) -> Levels:
    index = np.zeros((1, 1), dtype=np.uint16)
    for bit, level in enumerate(levels):
        index = index | level.astype(np.uint16) << np.uint16(bit)
    found: Levels = output.table[index]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """Where one chip is addressed, for one value of the state bits.

    Attributes
    ----------
    answers : bool, shape (2, 65536)
        Its whole enable holds in the read window, and what it says or is told gets through. False
        everywhere when not known.
    asserts, asserts_known : bool, shape (2, 65536)
        Its select line is active, and where that is sure.
    known : bool
        False: the chip hangs on a decoder that is not fitted.
    """

    answers: Levels
    asserts: Levels
    asserts_known: Levels
    known: bool


def select_pin(chip: Chip) -> EnablePin | None:
    """The enable pin that a chip's select line is: the one named in the file, else the first one
    fed by a decoder, else the first; None without wiring. An output or write enable comes last.
    """
    if chip.decoding.select_pin is not None:
        named = [pin for pin in chip.decoding.enable if pin.name == chip.decoding.select_pin]
        if named:
            return named[0]
    return min(
        chip.decoding.enable,
        key=lambda pin: (
            all(net.kind != "output" for net in pin.nets),
            pin.gates != "both",
        ),
        default=None,
    )


@dataclass(slots=True, eq=False)
class Reach:
    """Where one chip answers in any state.

    Attributes
    ----------
    answers : bool, shape (2, 65536)
    in_phi2, outside_phi2 : bool or None
        Its select line is active anywhere while phase 2 is high, or low; None where that is not
        known: ranges alone, or a decoder that is not fitted.
    """

    answers: Levels
    in_phi2: bool | None = False
    outside_phi2: bool | None = False

    @property
    def gated(self) -> bool | None:
        """Whether the select line needs phase 2 high; None when it is not known or never active."""
        if self.in_phi2 is None or self.outside_phi2 is None:
            return None
        return not self.outside_phi2 if self.in_phi2 or self.outside_phi2 else None


def reach_of(
    chips: Sequence[Chip], decoders: Sequence[Decoder], buffers: Sequence[Buffer] = ()
) -> list[Reach]:
    """Where each chip answers in any state that the state bits can have.

    Raises
    ------
    WiringLoop
        The wiring runs in a circle.
    TooMuchWiring
        More than `MAX_LOOKUPS` tables would have to be looked up.
    """
    masks = [states_of_chip(chip, decoders, buffers, banked=False) for chip in chips]
    states = submasks(int(np.bitwise_or.reduce(masks)) if masks else 0)
    nets = sum(len(pin.nets) for chip in chips for pin in chip.decoding.enable)
    looked_at = nets + sum(len(decoder.outputs) for decoder in decoders)
    if len(states) > 1 and len(states) * looked_at > MAX_LOOKUPS:
        raise TooMuchWiring(
            f"{len(states)} states of {looked_at} pins and outputs are too many to go through"
        )
    found = [Reach(np.zeros(_WHOLE, dtype=np.bool_)) for _ in chips]
    for state in states:
        high, low = Wiring(decoders, True, state), Wiring(decoders, False, state)
        for chip, mask, reach in zip(chips, masks, found, strict=True):
            if state & ~mask:
                continue
            reach.answers |= select_chip(chip, high, buffers).answers
            pin = select_pin(chip)
            reach.in_phi2 = _ever(reach.in_phi2, high, pin)
            reach.outside_phi2 = _ever(reach.outside_phi2, low, pin)
    return found


def _ever(before: bool | None, wiring: Wiring, pin: EnablePin | None) -> bool | None:
    """Whether a pin is active anywhere, now or in what was looked at before."""
    levels = None if pin is None else wiring.active(pin)
    return None if before is None or levels is None else before or bool(levels.any())


def select_chip(chip: Chip, wiring: Wiring, buffers: Sequence[Buffer] = ()) -> Selection:
    """Where a chip is addressed, and where its select line is active.

    Raises
    ------
    WiringLoop
        The wiring runs in a circle.
    """
    decoding = chip.decoding
    answers = np.ones(_WHOLE, dtype=np.bool_)
    known = True
    for pin in decoding.enable:
        active = wiring.active(pin)
        known = known and active is not None
        rows = _gated(pin, chip)
        answers[rows] &= active[rows] if active is not None else np.False_
    ranges = np.ones(_WHOLE, dtype=np.bool_)
    if decoding.by_range:
        ranges[READ] = covered(decoding.read_ranges, decoding.undecoded)
        ranges[WRITE] = covered(decoding.write_ranges, decoding.undecoded)
    if not all(bool(wiring.state >> net.index & 1) != net.inverted for net in decoding.when):
        ranges[:] = False
    answers &= ranges
    never_written = chip.role == "rom" and not decoding.writes_stated
    pin_chosen = select_pin(chip)
    if pin_chosen is not None:
        level = wiring.active(pin_chosen)
        asserts = level if level is not None else np.zeros_like(answers)
        sure = np.full_like(answers, level is not None)
    else:
        asserts = ranges.copy()
        # A direction the ranges leave out says nothing where the other direction is addressed:
        # whether R/W takes part in the select line is not told.
        sure = asserts | ~asserts[::-1]
        if never_written:
            sure[WRITE] &= ~asserts[READ]
    if never_written:
        answers[WRITE] = False
    for buffer in buffers_before(chip.ref, buffers):
        passes = _passes(buffer, chip, wiring)
        known = known and passes is not None
        answers &= passes if passes is not None else np.False_
    return Selection(answers, asserts, sure, known)


def _gated(pin: EnablePin, chip: Chip) -> slice:
    """The directions that an enable pin decides, as rows of the tables.

    A RAM is read without its write enable and written without its output enable. On another chip
    a pin of only one of these kinds tells that it is a port of that direction.
    """
    kinds = {other.gates for other in chip.decoding.enable}
    if chip.role == "ram":
        # Where nothing else tells where the RAM is, the pin stands for the select.
        own = "both" in kinds or chip.decoding.by_range
    else:
        own = {"reads", "writes"} <= kinds
    if pin.gates == "both" or not own:
        return slice(None)
    return slice(READ, READ + 1) if pin.gates == "reads" else slice(WRITE, WRITE + 1)


def buffers_before(ref: str, buffers: Sequence[Buffer], line: str | None = None) -> list[Buffer]:
    """Buffers between the CPU and a chip, from the CPU on; of one line, or of all.

    Raises
    ------
    WiringLoop
        The buffers stand in a circle.
    """
    path: list[Buffer] = []
    waiting = [ref]
    while waiting:
        behind = waiting.pop()
        for buffer in buffers:
            if behind in buffer.to and (line is None or line in buffer.lines):
                if buffer.ref == ref:
                    raise WiringLoop(f"{ref} stands behind itself")
                if buffer not in path:
                    path.insert(0, buffer)
                    waiting.append(buffer.ref)
    return path


def _passes(buffer: Buffer, chip: Chip, wiring: Wiring) -> Levels | None:
    """Where what the chip needs gets through a buffer; None when that is not known."""
    carries_data = bool(buffer.data_mask & chip.data_mask)
    if not buffer.fitted:
        # Without the data the chip is cut off; without its address nobody knows what it does.
        return np.zeros(_WHOLE, dtype=np.bool_) if carries_data else None
    passes = np.ones(_WHOLE, dtype=np.bool_)
    for pin in buffer.enable:
        active = wiring.active(pin)
        if active is None:
            return None
        passes &= active
    if buffer.direction is not None:
        inwards = wiring.level(buffer.direction)
        if inwards is None:
            return None
        inwards = np.broadcast_to(inwards, _WHOLE)
        passes[WRITE] &= ~inwards[WRITE]
        passes[READ] &= inwards[READ] if carries_data else ~inwards[READ]
    elif carries_data:
        passes[READ] = False
    return passes


def states_that_matter(
    nets: Iterable[Net], decoders: Sequence[Decoder], buffers: Sequence[Buffer] = ()
) -> int:
    """Mask of the state bits that nets, and buffers, depend on."""
    by_ref = {decoder.ref: decoder for decoder in decoders}
    mask = 0
    seen = set()
    waiting = [*nets, *(net for buffer in buffers for net in _nets_of(buffer))]
    while waiting:
        net = waiting.pop()
        if net.kind == "state":
            mask |= 1 << net.index
        elif net.kind == "output" and (net.chip, net.name) not in seen:
            seen.add((net.chip, net.name))
            waiting += _output_of(net, by_ref).inputs
    return mask


def _nets_of(buffer: Buffer) -> list[Net]:
    nets = [net for pin in buffer.enable for net in pin.nets]
    return nets if buffer.direction is None else [*nets, buffer.direction]


def states_of_chip(
    chip: Chip, decoders: Sequence[Decoder], buffers: Sequence[Buffer] = (), *, banked: bool = True
) -> int:
    """Mask of the state bits that decide where a chip answers and, if `banked`, with which byte."""
    decoding = chip.decoding
    nets = [*(net for pin in decoding.enable for net in pin.nets), *decoding.when]
    if banked:
        nets += decoding.bank_lines
    return states_that_matter(nets, decoders, buffers_before(chip.ref, buffers))


def submasks(mask: int) -> list[int]:
    """All values that have no bit outside a mask, lowest first."""
    found, value = [0], 0
    while value != mask:
        value = (value - mask) & mask
        found.append(value)
    return found


def build_map(
    chips: Sequence[Chip],
    decoders: Sequence[Decoder],
    complete: bool,
    *,
    buffers: Sequence[Buffer] = (),
    state: int = 0,
) -> AddressMap:
    """Table of who answers where, for one value of the state bits.

    Parameters
    ----------
    chips : sequence of Chip
        Those with a decoding enter the map, in this order; each needs a size.
    decoders : sequence of Decoder
    complete : bool
        The file lists every address that is used.
    buffers : sequence of Buffer
    state : int
        Bit i is state bit i.

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
    responds = np.zeros(_WHOLE, dtype=np.uint32)
    asserts, asserts_known = np.zeros_like(responds), np.zeros_like(responds)
    inner = np.zeros((len(mapped), N_ADDRESSES), dtype=np.int32)
    offsets = np.full_like(inner, -1)
    everything_known = True
    wiring = Wiring(decoders, state=state)
    for index, chip in enumerate(mapped):
        if chip.size is None:
            raise ValueError(f"{chip.ref} has no size")
        selection = select_chip(chip, wiring, buffers)
        everything_known = everything_known and selection.known
        bit = np.uint32(1 << index)
        answers = selection.answers & chip.fitted
        responds |= answers * bit
        asserts |= selection.asserts * bit
        asserts_known |= selection.asserts_known * bit
        inner[index] = inner_addresses(chip, state)
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


def inner_addresses(chip: Chip, state: int = 0) -> npt.NDArray[np.int64]:
    """Address within the chip at every address of the CPU, selected or not.

    Undecoded lines are first brought back to the range that was given, then the chip, or the part
    of it that the bank lines choose, repeats every so many bytes from `Chip.base`.

    Returns
    -------
    int64, shape (65536,)
    """
    if chip.size is None:
        raise ValueError(f"{chip.ref} has no size")
    window = chip.size >> len(chip.decoding.bank_lines)
    bank = sum(
        int(bool(state >> net.index & 1) != net.inverted) << line
        for line, net in enumerate(chip.decoding.bank_lines)
    )
    inner: npt.NDArray[np.int64] = (_canonical(chip).astype(np.int64) - chip.base) % window
    return inner + bank * window


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


def covered(ranges: Sequence[tuple[int, int]], undecoded: int) -> npt.NDArray[np.bool_]:
    """Addresses that equal one of the ranges on all decoded lines: bool, shape (65536,)."""
    seen = np.uint32(~undecoded & TOP)
    hit = np.zeros(N_ADDRESSES, dtype=np.bool_)
    for first, last in ranges:
        hit[_ADDRESSES[first : last + 1] & seen] = True
    found: npt.NDArray[np.bool_] = hit[_ADDRESSES & seen]
    return found
