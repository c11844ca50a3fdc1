"""Reading what a pin is wired to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from bustrace.board.model import Net
from bustrace.board.values import BadValue

NET_FORMS = 'A0 to A15, "R/W", "PHI2", "high", "low" or a decoder output "U7.Y5"; ! inverts'

_CONSTANTS = {"high": 1, "vcc": 1, "+5v": 1, "1": 1, "low": 0, "gnd": 0, "vss": 0, "0": 0}
INPUTS_138 = {"A": 0, "B": 1, "C": 2}
ENABLES_138 = {"G1": 0, "G2A": 1, "G2B": 2}
"""Names of TI SN74HCT138, SCLS171E."""
_OTHER_NAMES_138 = {"A0": "A", "A1": "B", "A2": "C", "E3": "G1", "E1": "G2A", "E2": "G2B"}


def parse_net(value: object) -> Net:
    """Read what a pin is wired to; `NET_FORMS` tells how it is written.

    Raises
    ------
    BadValue
        Nothing that is known.
    """
    if isinstance(value, int) and not isinstance(value, bool) and value in (0, 1):
        return Net("constant", value)
    if not isinstance(value, str):
        raise BadValue("this is not a net", NET_FORMS)
    text = value.strip()
    inverted = text[:1] in ("!", "/", "~")
    word = text[1:].strip() if inverted else text
    net: Net | None = None
    if match := re.fullmatch(r"A(\d{1,2})", word, re.IGNORECASE):
        if int(match[1]) < 16:
            net = Net("address", int(match[1]))
    elif word.upper() in ("R/W", "RW", "RNW"):
        net = Net("rw")
    elif word.upper() in ("PHI2", "P2", "PHASE 2"):
        net = Net("phi2")
    elif word.lower() in _CONSTANTS:
        net = Net("constant", _CONSTANTS[word.lower()])
    elif match := re.fullmatch(r"([A-Za-z0-9][\w-]*)\s*\.\s*/?[YO]([0-7])", word, re.IGNORECASE):
        net = Net("output", int(match[2]), match[1])
    if net is None:
        raise BadValue("this is not a net", NET_FORMS)
    return replace(net, inverted=inverted)


def pin_name(text: str) -> tuple[str, int]:
    """Pin name without the sign for active low, and the active level: ``/CS2`` is (CS2, 0)."""
    word = text.strip()
    if word[:1] in ("/", "!", "~"):
        return word[1:], 0
    if word[-1:] == "#":
        return word[:-1], 0
    return word, 1


def pins_138(
    given: Mapping[str, object], order: Mapping[str, int], defaults: tuple[Net, ...]
) -> tuple[Net, ...]:
    """Nets of a 74x138's inputs or enables, in the order of `order`.

    Parameters
    ----------
    given : mapping
        Pin name to net, as in the file.
    order : mapping
        `INPUTS_138` or `ENABLES_138`.
    defaults : tuple of Net
        For pins that are not given; empty when all must be.

    Raises
    ------
    BadValue
        An unknown pin, one given twice or one missing.
    """
    nets: dict[int, Net] = dict(enumerate(defaults))
    seen = set()
    for pin, value in given.items():
        word = pin_name(pin)[0].upper()
        word = _OTHER_NAMES_138.get(word, word)
        if word not in order:
            raise BadValue(f"a 74x138 has no such pin here: {pin}", ", ".join(order))
        if word in seen:
            raise BadValue(f"the pin {word} is given twice", ", ".join(order))
        seen.add(word)
        try:
            nets[order[word]] = parse_net(value)
        except BadValue as bad:
            raise bad.under(f".{pin}") from None
    missing = [pin for pin, index in order.items() if index not in nets]
    if missing:
        raise BadValue(f"the wiring of {', '.join(missing)} is missing", NET_FORMS)
    return tuple(nets[index] for index in range(len(order)))
