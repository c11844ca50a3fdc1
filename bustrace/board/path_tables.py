"""From the tables of a board file to its decoders, state bits and buffers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bustrace.board.address_map import WiringLoop, buffers_before
from bustrace.board.chip_tables import ChipRow, Refs, enable_pins
from bustrace.board.decoders import (
    array_by_dump,
    array_by_equations,
    wired_138,
    wired_139,
    with_chips,
    with_known_nets,
)
from bustrace.board.model import Cpu
from bustrace.board.nets import Names, known_net, output_name, parse_net, pin_name
from bustrace.board.packages import CPU_LINES, line_name
from bustrace.board.parts import decoder_kind, has_port
from bustrace.board.values import TOP, BadValue
from bustrace.board.wires import Buffer, Decoder, StateBit
from bustrace.errors import nearest

if TYPE_CHECKING:
    from bustrace.board.schema import BoardFile, BufferTable, StateTable

MAX_EQUATIONS = 1 << 16
"""Characters of all equations of a file: a second or two to read."""

STATE_FORMS = "letters, digits and _, such as BANK or LATCH_0"


def make_names(table: BoardFile, cpu: Cpu, address_bits: int) -> Names:
    """What names of the file mean.

    Raises
    ------
    BadValue
        Two state bits of one name, or a name that means something else.
    """
    states: dict[str, int] = {}
    for index, state in enumerate(table.state):
        key = f"state[{index}].name"
        if not re.fullmatch(r"[A-Za-z_]\w{0,23}", state.name, re.ASCII):
            raise BadValue("this cannot be the name of a state bit", STATE_FORMS, key=key)
        if line_name(state.name) is not None or _is_net(state.name):
            raise BadValue(f"{state.name} already means something else", STATE_FORMS, key=key)
        if state.name.casefold() in states:
            raise BadValue(f"the name {state.name} is used twice", "one name a bit", key=key)
        states[state.name.casefold()] = index
    return Names(states, tuple(state.name for state in table.state), cpu.part, address_bits)


def _is_net(word: str) -> bool:
    try:
        parse_net(word)
    except BadValue:
        return False
    return True


def make_state_bits(
    table: BoardFile, refs: Refs, cpu: Cpu, address_bits: int
) -> tuple[StateBit, ...]:
    """State bits, in the file's order."""
    missing = TOP & ~((1 << address_bits) - 1)
    bits = []
    for index, state in enumerate(table.state):
        try:
            bits.append(_state_bit(state, refs, cpu, missing))
        except BadValue as bad:
            raise bad.under(f"state[{index}]") from None
    return tuple(bits)


def _state_bit(state: StateTable, refs: Refs, cpu: Cpu, missing: int) -> StateBit:
    ways = [k for k in ("write", "access", "port") if getattr(state, k) is not None]
    if len(ways) != 1:
        raise BadValue(
            "nothing tells what sets the bit" if not ways else f"{' and '.join(ways)} are given",
            "one of write with bit, access, port",
            key="." + (ways[1] if ways else "write"),
        )
    (way,) = ways
    belongs = {
        "bit": "write", "value": "access", "by": "access", "undecoded": "write or access",
    }  # fmt: skip
    for key, owner in belongs.items():
        if key in state.model_fields_set and way not in owner.split(" or "):
            raise BadValue(f"{key} belongs to {owner}", f"{way} alone", key=f".{key}")
    bit = StateBit(
        state.name,
        state.reset,
        None if state.source is None else refs.find(state.source, ".from"),
        undecoded=state.undecoded | missing,
    )
    if way == "port":
        if not has_port(cpu.part):
            raise BadValue(f"a {cpu.part} has no port", "write or access", key=".port")
        return replace(bit, port=state.port, undecoded=0, source=bit.source or cpu.ref)
    if way == "write":
        if state.bit is None:
            raise BadValue("which bit of the byte?", "bit = 0 to 7", key=".bit", found="nothing")
        return replace(bit, write_ranges=state.write or (), data_bit=state.bit)
    sets: dict[int, tuple[tuple[int, int], ...]] = {0: (), 1: ()}
    for level, ranges in state.access or ():
        if (level is None) == (state.value is None):
            raise BadValue(
                "which level does an access set?",
                'access = { 0 = "$C050", 1 = "$C051" }, or value beside one range',
                key=".access",
            )
        # One of the two is given.
        sets[state.value if level is None else level] = ranges  # type: ignore[index]
    return replace(bit, clear_ranges=sets[0], set_ranges=sets[1], accesses=state.by)


def make_decoders(
    rows: Sequence[ChipRow], refs: Refs, names: Names, folder: Path
) -> tuple[Decoder, ...]:
    """The chips that make selects, in the file's order.

    Raises
    ------
    BadValue
        Wiring that cannot be read; the key leads to it.
    """
    decoders = []
    wired = [row for row in rows if row.is_decoder]
    length = sum(len(text) for row in wired for text in row.table.equations.values())
    if length > MAX_EQUATIONS:
        raise BadValue(
            f"the file's equations have {length} characters in all",
            f"at most {MAX_EQUATIONS}",
            key="chips",
            found="equations",
        )
    for row in wired:
        try:
            decoders.append(_decoder(row, refs, names, folder))
        except BadValue as bad:
            raise bad.under(row.key) from None
    return tuple(
        with_known_nets(decoder, decoders, f"{row.key}{_place_of_nets(row)}")
        for row, decoder in zip(wired, decoders, strict=True)
    )


def _place_of_nets(row: ChipRow) -> str:
    if row.table.truth_table is not None:
        return ".truth_table.inputs"
    return ".equations" if row.table.equations else ".inputs"


def _decoder(row: ChipRow, refs: Refs, names: Names, folder: Path) -> Decoder:
    table = row.table
    told = [key for key in ("equations", "truth_table", "inputs") if getattr(table, key)]
    if len(told) > 1:
        raise BadValue(
            f"{told[0]} and {told[1]} exclude each other", "one of them", key=f".{told[1]}"
        )
    if table.equations or table.truth_table is not None:
        if table.enable:
            raise BadValue(
                "a logic array's own enable stands in its equations or its dump",
                "no enable here",
                key=".enable",
            )
        if table.truth_table is None:
            try:
                decoder = array_by_equations(row.ref, table.equations, names)
            except BadValue as bad:
                raise bad.under(".equations") from None
        else:
            dump = table.truth_table
            try:
                decoder = array_by_dump(
                    row.ref, dump.file, dump.inputs, dump.outputs, folder, names
                )
            except BadValue as bad:
                raise bad.under(".truth_table") from None
    else:
        decoder = _wired(row, names)
    chips: dict[str, tuple[str, ...]] = {}
    for pin, selected in table.outputs.items():
        key = f".outputs.{pin}"
        output = decoder.output(output_name(decoder, pin_name(pin)[0]))
        if output is None:
            outputs = [output.name for output in decoder.outputs]
            raise BadValue(
                f"a {decoder.kind} has no such output"
                if decoder.kind.startswith("74")
                else f"{row.ref} has no such output",
                "Y0 to Y7" if decoder.kind == "74x138" else ", ".join(outputs),
                key=key,
            )
        chips[output.name] = chips.get(output.name, ()) + refs.all_of(selected, key)
    return with_chips(decoder, chips)


def _wired(row: ChipRow, names: Names) -> Decoder:
    table = row.table
    kind = decoder_kind(table.part)
    stated = "inputs" if table.inputs else "outputs"
    if kind is None:
        raise BadValue(
            f"only a decoder has {stated}, and {table.part} is none that is known",
            'part = "74LS138", "74LS139", or equations',
            key=f".{stated}",
        )
    wire = wired_138 if kind == "138" else wired_139
    return wire(row.ref, table.inputs, table.enable, names)


def make_buffers(
    rows: Sequence[ChipRow], refs: Refs, cpu: Cpu, names: Names, decoders: Sequence[Decoder]
) -> tuple[Buffer, ...]:
    """Chips in the path of a bus.

    Raises
    ------
    BadValue
        Lines, chips or nets that are not known, or buffers in a circle.
    """
    found = [(row, row.table.buffers) for row in rows if row.table.buffers is not None]
    buffers = []
    for row, table in found:
        try:
            buffers.append(_buffer(row, table, refs, cpu, names, decoders))
        except BadValue as bad:
            raise bad.under(row.key) from None
    behind = {b.ref: tuple(o.ref for o in buffers if o.source == b.ref) for b in buffers}
    joined = tuple(replace(b, to=tuple(dict.fromkeys((*b.to, *behind[b.ref])))) for b in buffers)
    for (row, _), buffer in zip(found, joined, strict=True):
        try:
            buffers_before(buffer.ref, joined)
        except WiringLoop as loop:
            raise BadValue(
                f"the buffers stand in a circle: {loop}",
                "buffers from the CPU outwards",
                key=f"{row.key}.buffers",
            ) from None
    return joined


def _buffer(
    row: ChipRow,
    table: BufferTable,
    refs: Refs,
    cpu: Cpu,
    names: Names,
    decoders: Sequence[Decoder],
) -> Buffer:
    if row.is_decoder:
        raise BadValue("a decoder is no buffer", "buffers in a table of its own", key=".buffers")
    lines: list[str] = []
    for index, text in enumerate(table.lines):
        lines += _lines(
            text, f".buffers.lines[{index}]" if len(table.lines) > 1 else ".buffers.lines"
        )
    direction = None
    if table.direction is not None:
        try:
            direction = known_net(parse_net(table.direction, names), decoders, "")
        except BadValue as bad:
            raise bad.under(".buffers.direction") from None
    buffer = Buffer(
        row.ref,
        tuple(dict.fromkeys(lines)),
        cpu.ref if table.source is None else refs.find(table.source, ".buffers.from"),
        refs.all_of(table.to, ".buffers.to"),
        tuple(enable_pins(row.table.enable, names, decoders)),
        direction,
    )
    if cpu.ref in buffer.to:
        raise BadValue("the CPU stands before every buffer", "chips behind it", key=".buffers.to")
    return buffer


def _lines(text: str, key: str) -> list[str]:
    """Bus lines from ``D0-D7`` or one line's name."""
    match = re.fullmatch(r"([AD])(\d{1,2})\s*(?:-|–|\.\.)\s*\1?(\d{1,2})", text.strip(), re.I)
    names = [text]
    if match is not None:
        first, last = sorted((int(match[2]), int(match[3])))
        names = [f"{match[1]}{number}" for number in range(first, last + 1)]
    found = []
    for name in names:
        line = line_name(name)
        if line is None:
            near = nearest(name, CPU_LINES)
            raise BadValue(
                f"{name} is no line of the CPU",
                '"D0-D7", "A0-A15", "R/W", or a list of them',
                f"did you mean {near}?" if near and match is None else None,
                key=key,
            )
        found.append(line)
    return found
