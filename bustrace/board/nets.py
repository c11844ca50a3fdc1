"""Reading what a pin is wired to."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from bustrace.board.values import BadValue
from bustrace.board.wires import Decoder, Net

NET_FORMS = (
    'A0 to A15, "R/W", "PHI2", "high", "low", the name of a [[state]] or a decoder\'s output '
    '"U7.Y5"; ! inverts'
)

_CONSTANTS = {"high": 1, "vcc": 1, "+5v": 1, "1": 1, "low": 0, "gnd": 0, "vss": 0, "0": 0}


@dataclass(frozen=True, slots=True)
class Names:
    """What names of the file mean.

    Attributes
    ----------
    states : mapping of str to int
        State bits, by folded name.
    spelled : tuple of str
        The same names as the file spells them, by number.
    cpu : str
        Part number of the CPU, for messages.
    address_bits : int
        Address pins of the CPU.
    """

    states: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    spelled: tuple[str, ...] = ()
    cpu: str = "6502"
    address_bits: int = 16

    def state(self, word: str) -> Net | None:
        """The state bit of that name, ``!`` in front inverts; None for no such bit."""
        inverted, bare = _sign(word)
        index = self.states.get(bare.casefold())
        if index is None:
            return None
        return Net("state", index, name=self.spelled[index], inverted=inverted)


NO_NAMES = Names()


def _sign(text: str) -> tuple[bool, str]:
    text = text.strip()
    inverted = text[:1] in ("!", "/", "~")
    return inverted, text[1:].strip() if inverted else text


def parse_net(value: object, names: Names = NO_NAMES) -> Net:
    """Read what a pin is wired to; `NET_FORMS` tells how it is written.

    An output's chip and name are taken as they stand; `known_net` looks them up.

    Raises
    ------
    BadValue
        Nothing that is known.
    """
    if isinstance(value, int) and not isinstance(value, bool) and value in (0, 1):
        return Net("constant", value)
    if not isinstance(value, str):
        raise BadValue("this is not a net", NET_FORMS)
    inverted, word = _sign(value)
    net: Net | None = None
    if match := re.fullmatch(r"A(\d{1,2})", word, re.IGNORECASE):
        line = int(match[1])
        if names.address_bits <= line < 16:
            raise BadValue(
                f"a {names.cpu} has no A{line}", f"A0 to A{names.address_bits - 1}", found=value
            )
        if line < 16:
            net = Net("address", line)
    elif word.upper() in ("R/W", "RW", "RNW"):
        net = Net("rw")
    elif word.upper() in ("PHI2", "P2", "PHASE 2"):
        net = Net("phi2")
    elif word.lower() in _CONSTANTS:
        net = Net("constant", _CONSTANTS[word.lower()])
    elif match := re.fullmatch(r"([A-Za-z0-9][\w-]*)\s*\.\s*/?(\w+)", word, re.ASCII):
        net = Net("output", chip=match[1], name=match[2].upper())
    else:
        net = names.state(word)
    if net is None:
        raise BadValue("this is not a net", NET_FORMS)
    return replace(net, inverted=inverted)


def known_net(net: Net, decoders: Sequence[Decoder], key: str) -> Net:
    """The net with its decoder and output spelled as the file spells them.

    Raises
    ------
    BadValue
        No such decoder or output.
    """
    if net.kind != "output":
        return net
    decoder = next((d for d in decoders if d.ref.casefold() == net.chip.casefold()), None)
    if decoder is None:
        known = ", ".join(decoder.ref for decoder in decoders) or "none in this file"
        raise BadValue(
            f"{net.chip} is no decoder with inputs",
            f"a decoder or a logic array: {known}",
            key=key,
        )
    name = output_name(decoder, net.name)
    output = decoder.output(name)
    if output is None:
        raise BadValue(
            f"{decoder.ref} has no output {net.name} that is wired",
            ", ".join(f"{decoder.ref}.{output.name}" for output in decoder.outputs),
            key=key,
        )
    return replace(net, chip=decoder.ref, name=output.name)


def output_name(decoder: Decoder, text: str) -> str:
    """Name of an output; some makers' sheets call Y0 O0."""
    if decoder.kind in ("74x138", "74x139"):
        return re.sub(r"^([12]?)O(?=\d$)", r"\1Y", text, flags=re.IGNORECASE)
    return text


def pin_name(text: str) -> tuple[str, int]:
    """Pin name without the sign for active low, and the active level: ``/CS2`` is (CS2, 0)."""
    word = text.strip()
    if word[:1] in ("/", "!", "~"):
        return word[1:], 0
    if word[-1:] == "#":
        return word[:-1], 0
    return word, 1
