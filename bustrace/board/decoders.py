"""Chips that make selects, each output as a table: 74x138, 74x139, equations, truth tables."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bustrace.board.equations import MAX_INPUTS, inputs_of, parse_equation, table_of
from bustrace.board.images import inside, read_image
from bustrace.board.nets import NET_FORMS, Names, known_net, parse_net, pin_name
from bustrace.board.values import BadValue
from bustrace.board.wires import Decoder, Net, Output

Levels = npt.NDArray[np.bool_]

MAX_OUTPUTS = 24
"""Outputs of one logic array."""

HIGH, LOW = Net("constant", 1), Net("constant", 0)

INPUTS_138 = {"A": None, "B": None, "C": None}
ENABLES_138 = {"G1": HIGH, "G2A": LOW, "G2B": LOW}
"""Names of TI SN74HCT138, SCLS171E, and what pins that are not given are wired to."""
_OTHER_NAMES = {"A0": "A", "A1": "B", "A2": "C", "E3": "G1", "E1": "G2A", "E2": "G2B", "E": "G"}


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


def decode_139(inputs: Sequence[Levels], enable: Levels) -> Levels:
    """Outputs of one half of a 74x139.

    While G is low, output n = 2B + A is low; while G is high, all are high (makers' sheets of the
    LS part, from memory).

    Parameters
    ----------
    inputs : A, B, bool arrays of one shape
    enable : G

    Returns
    -------
    bool, shape (4, ...): levels of Y0 to Y3.
    """
    a, b = inputs
    number = 2 * b.astype(np.uint8) + a.astype(np.uint8)
    return np.stack([~(~enable & (number == output)) for output in range(4)])


def wired_138(
    ref: str, inputs: Mapping[str, object], enable: Mapping[str, object], names: Names
) -> Decoder:
    """A 74x138 from its ``inputs`` and ``enable`` tables.

    Raises
    ------
    BadValue
        An unknown pin, one given twice or one missing.
    """
    try:
        nets = _pins("74x138", inputs, INPUTS_138, names)
    except BadValue as bad:
        raise bad.under(".inputs") from None
    try:
        nets += _pins("74x138", enable, ENABLES_138, names)
    except BadValue as bad:
        raise bad.under(".enable") from None
    bits = _combinations(6)
    table = decode_138(bits[:3], bits[3:])
    return Decoder(ref, "74x138", tuple(Output(f"Y{n}", 0, nets, table[n]) for n in range(8)))


def wired_139(
    ref: str, inputs: Mapping[str, object], enable: Mapping[str, object], names: Names
) -> Decoder:
    """A 74x139 from its tables; a half that is not wired has no outputs.

    Raises
    ------
    BadValue
        An unknown pin, one given twice or one missing.
    """
    bits = _combinations(3)
    table = decode_139(bits[:2], bits[2])
    halves = {
        place: {half: _of_half(half, given, place) for half in "12"}
        for place, given in ((".inputs", inputs), (".enable", enable))
    }
    outputs: list[Output] = []
    for half in "12":
        own, gate = halves[".inputs"][half], halves[".enable"][half]
        if not own and not gate:
            continue
        try:
            nets = _pins("74x139", own, {f"{half}A": None, f"{half}B": None}, names)
        except BadValue as bad:
            raise bad.under(".inputs") from None
        try:
            nets += _pins("74x139", gate, {f"{half}G": LOW}, names)
        except BadValue as bad:
            raise bad.under(".enable") from None
        outputs += [Output(f"{half}Y{n}", 0, nets, table[n]) for n in range(4)]
    return Decoder(ref, "74x139", tuple(outputs))


def array_by_equations(ref: str, equations: Mapping[str, object], names: Names) -> Decoder:
    """A logic array from its equations: output pin to a sum of products.

    Raises
    ------
    BadValue
        An equation that cannot be read; the key leads to it.
    """
    outputs = []
    for pin, text in _checked_outputs(equations).items():
        name, active = pin_name(pin)
        try:
            expression = parse_equation(text, names)
            inputs = inputs_of(expression)
        except BadValue as bad:
            raise bad.under(f".{pin}") from None
        held = table_of(expression, inputs)
        outputs.append(Output(name, active, inputs, held if active else ~held))
    return Decoder(ref, "equations", tuple(outputs))


def array_by_dump(
    ref: str,
    file: str,
    inputs: Sequence[object],
    outputs: Mapping[str, object],
    folder: Path,
    names: Names,
) -> Decoder:
    """A logic array from its truth table, read out like an EPROM.

    Parameters
    ----------
    ref : str
    file : str
        Binary, one byte for every combination of the inputs.
    inputs : sequence of nets
        On the dump's address lines, line 0 first.
    outputs : mapping of str to str
        Output pin, ``/`` in front where it selects when low, to the dump's data line.
    folder : Path
        The board file's.
    names : Names

    Raises
    ------
    BadValue
        A file that does not fit the inputs, an unknown net or data line.
    """
    if not 0 < len(inputs) <= MAX_INPUTS:
        raise BadValue(
            f"a truth table has 1 to {MAX_INPUTS} inputs, not {len(inputs)}",
            "one net for every address line of the dump",
            key=".inputs",
        )
    nets = []
    for index, value in enumerate(inputs):
        try:
            nets.append(parse_net(value, names))
        except BadValue as bad:
            raise bad.under(f".inputs[{index}]") from None
    try:
        content = read_image(inside(folder, file), shown=file).content
    except BadValue as bad:
        raise bad.under(".file") from None
    if len(content) != 1 << len(nets):
        lines = (len(content) - 1).bit_length()
        raise BadValue(
            f"the dump has {len(content)} bytes, {len(nets)} inputs make {1 << len(nets)}",
            f"{lines} inputs for this dump" if len(content) == 1 << lines else "a whole dump",
            key=".file",
        )
    found = []
    for pin, line in _checked_outputs(outputs).items():
        name, active = pin_name(pin)
        match = re.fullmatch(r"[DOQ]([0-7])", line.strip(), re.I) if isinstance(line, str) else None
        if match is None:
            raise BadValue("this is no data line of the dump", "D0 to D7", key=f".outputs.{pin}")
        level = (content >> np.uint8(int(match[1]))) & 1 == 1
        found.append(Output(name, active, tuple(nets), level))
    return Decoder(ref, "truth table", tuple(found))


def with_known_nets(decoder: Decoder, decoders: Sequence[Decoder], key: str) -> Decoder:
    """The decoder with the outputs in its nets spelled as the file spells them.

    Raises
    ------
    BadValue
        A net of a decoder that is not there.
    """
    outputs = []
    for output in decoder.outputs:
        nets = tuple(known_net(net, decoders, key) for net in output.inputs)
        outputs.append(replace(output, inputs=nets))
    return replace(decoder, outputs=tuple(outputs))


def with_chips(decoder: Decoder, chips: Mapping[str, Sequence[str]]) -> Decoder:
    """The decoder with the chips that its outputs select, by the output's name."""
    return replace(
        decoder,
        outputs=tuple(
            replace(o, chips=(*o.chips, *chips.get(o.name, ()))) for o in decoder.outputs
        ),
    )


def _combinations(count: int) -> list[Levels]:
    """Levels of `count` inputs in every combination, input 0 the lowest bit of the index."""
    index = np.arange(1 << count)
    return [(index >> bit) & 1 == 1 for bit in range(count)]


def _checked_outputs(given: Mapping[str, object]) -> Mapping[str, object]:
    """Output pins, once it is sure that they can be named as ``U8.F0``."""
    if not 0 < len(given) <= MAX_OUTPUTS:
        raise BadValue(f"a logic array has 1 to {MAX_OUTPUTS} outputs", 'such as "/F0"')
    seen = set()
    for pin in given:
        name = pin_name(pin)[0]
        if not re.fullmatch(r"\w{1,24}", name, re.ASCII):
            raise BadValue("this cannot be an output's name", 'such as "/F0"', key=f".{pin}")
        if name.casefold() in seen:
            raise BadValue(f"the output {name} is given twice", "each once", key=f".{pin}")
        seen.add(name.casefold())
    return given


def _of_half(half: str, given: Mapping[str, object], place: str) -> dict[str, object]:
    """Pins of one half; `BadValue` for a pin that belongs to neither."""
    for pin in given:
        if pin_name(pin)[0][:1] not in ("1", "2"):
            example = "1A, 1B, 2A, 2B" if place == ".inputs" else '"/1G", "/2G"'
            raise BadValue(
                f"a 74x139 is two decoders: {pin} does not say which", example, key=place
            )
    return {pin: net for pin, net in given.items() if pin_name(pin)[0][:1] == half}


def _pins(
    part: str, given: Mapping[str, object], order: Mapping[str, Net | None], names: Names
) -> tuple[Net, ...]:
    """Nets of a decoder's pins, in the order of `order`, which also tells what a pin that is not
    given is wired to; None when it must be.
    """
    nets = dict(order)
    seen = set()
    for pin, value in given.items():
        word = pin_name(pin)[0].upper()
        half = word[0] if word[:1] in ("1", "2") else ""
        plain = word[len(half) :]
        word = half + _OTHER_NAMES.get(plain, plain)
        if word not in order:
            raise BadValue(f"a {part} has no such pin here: {pin}", ", ".join(order))
        if word in seen:
            raise BadValue(f"the pin {word} is given twice", ", ".join(order))
        seen.add(word)
        try:
            nets[word] = parse_net(value, names)
        except BadValue as bad:
            raise bad.under(f".{pin}") from None
    missing = [pin for pin, net in nets.items() if net is None]
    if missing:
        raise BadValue(f"the wiring of {', '.join(missing)} is missing", NET_FORMS)
    return tuple(net for net in nets.values() if net is not None)
