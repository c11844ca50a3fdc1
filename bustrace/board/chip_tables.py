"""From one ``[[chips]]`` table to a `Chip`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.board.address_map import Reach, buffers_before, select_pin
from bustrace.board.images import inside, read_image
from bustrace.board.model import READ, WRITE, Chip, Cpu, Image, Role, SelectLine
from bustrace.board.nets import NET_FORMS, Names, known_net, parse_net, pin_name
from bustrace.board.packages import line_name
from bustrace.board.parts import (
    ENABLE_FORMS,
    is_clock_pin,
    is_enable_pin,
    part_facts,
    port_addresses,
)
from bustrace.board.values import TOP, BadValue
from bustrace.board.wires import Buffer, Decoder, Decoding, EnablePin, Net
from bustrace.capture.model import Note
from bustrace.errors import nearest
from bustrace.faults import PLACES
from bustrace.units import count_words

if TYPE_CHECKING:
    from bustrace.board.schema import BoardFile, ChipTable

REF_FORMS = "letters, digits, - and _, such as U4 or ROM"


@dataclass(frozen=True, slots=True)
class ChipRow:
    """One chip of the file: where it stands, its table, its data lines (None: not told)."""

    key: str
    ref: str
    table: ChipTable
    data_mask: int | None

    @property
    def is_decoder(self) -> bool:
        """Whether the table tells how a decoder or a logic array makes selects."""
        table = self.table
        return bool(
            table.inputs or table.outputs or table.equations or table.truth_table is not None
        )


@dataclass(frozen=True, slots=True)
class Around:
    """What stands around a chip: names, decoders and buffers of the file, and its folder."""

    names: Names
    decoders: tuple[Decoder, ...]
    buffers: tuple[Buffer, ...]
    folder: Path


class Refs:
    """The references of the board, found in upper and lower case alike."""

    def __init__(self, refs: Sequence[str]) -> None:
        self._by_fold = {ref.casefold(): ref for ref in refs}

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_fold.values())

    def get(self, ref: str) -> str | None:
        """A reference as the file spells it, or None for no such chip."""
        return self._by_fold.get(ref.strip().casefold())

    def find(self, ref: str, key: str) -> str:
        """A reference as the file spells it; `BadValue` with `key` for no such chip."""
        found = self.get(ref)
        if found is None:
            near = nearest(ref, self)
            raise BadValue(
                "the board has no such chip",
                "one of " + ", ".join(self),
                f"did you mean {near}?" if near else None,
                key=key,
                found=ref,
            )
        return found

    def all_of(self, refs: Iterable[str], key: str) -> tuple[str, ...]:
        """Several references at once."""
        return tuple(self.find(ref, key) for ref in refs)


def checked_ref(ref: str) -> str:
    """The reference, if it can be one."""
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,23}", ref) or ref in PLACES:
        raise BadValue("this cannot be a chip's reference", REF_FORMS)
    if line_name(ref) is not None:
        raise BadValue(f"{ref} is the name of a CPU line, not a chip's reference", REF_FORMS)
    return ref


def chip_rows(table: BoardFile, cpu: Cpu) -> list[ChipRow]:
    """Chips in the file's order, with several references in one table taken apart."""
    rows: list[ChipRow] = []
    seen = {cpu.ref.casefold(): "cpu.ref"}
    for index, chip in enumerate(table.chips):
        key = f"chips[{index}]"
        facts = part_facts(chip.part)
        width = facts.data_lines if facts else 8
        if not chip.ref or (len(chip.ref) > 1 and len(chip.ref) * width != 8):
            raise BadValue(
                "several references are one bank of narrow memories that fills the data bus",
                f"{max(8 // width, 1)} reference(s) of a part with {width} data line(s)",
                key=f"{key}.ref",
            )
        for position, ref in enumerate(chip.ref):
            try:
                checked_ref(ref)
            except BadValue as bad:
                raise bad.under(f"{key}.ref") from None
            if ref.casefold() in seen:
                raise BadValue(
                    f"the reference {ref} is used twice, first in {seen[ref.casefold()]}",
                    "one reference a chip",
                    key=f"{key}.ref",
                )
            seen[ref.casefold()] = f"{key}.ref"
            mask = chip.data
            if len(chip.ref) > 1:
                mask = ((1 << width) - 1) << (position * width)
            elif mask is None and width < 8:
                raise BadValue(
                    f"a {chip.part} has {width} data line(s): say which",
                    'data = "D0-D3", or all chips of the bank in one ref = [...], D0 first',
                    key=f"{key}.data",
                )
            rows.append(ChipRow(key, ref, chip, mask))
    return rows


def make_chip(row: ChipRow, around: Around, notes: list[Note]) -> Chip:
    """A chip with its wiring, without size and content; keys of errors start below its own."""
    table = row.table
    makes_selects = row.is_decoder or table.buffers is not None
    role = "logic" if makes_selects else role_of(row, notes)
    decoding = Decoding() if makes_selects else _decoding(row, around)
    if role == "logic" and decoding.addressed and table.role is None:
        role = "io"
        notes.append(Note("guess", f"{row.ref}: taken for I/O, since it has an address", "role"))
    chip = Chip(
        ref=row.ref,
        part=table.part,
        role=role,
        socketed=table.socketed,
        fitted=table.fitted,
        data_mask=0xFF if row.data_mask is None else row.data_mask,
        pins=table.pins,
        rails={rail: tuple(pins) for rail, pins in table.rails.items()},
        decoding=decoding,
    )
    if not chip.decoding.addressed:
        if role in ("rom", "ram", "io"):
            raise BadValue(
                f"nothing tells at which addresses {row.ref} answers",
                'range = "$8000-$FFFF", an enable table, or a decoder whose outputs name it',
                key=".range",
                found="nothing",
            )
        if table.when or table.bank_lines:
            key = ".when" if table.when else ".bank_lines"
            raise BadValue("a bank needs addresses", "range or enable beside it", key=key)
        return replace(chip, selects=_selects(chip, table, None))
    return chip


def with_content(
    row: ChipRow,
    chip: Chip,
    reach: Reach,
    around: Around,
    fitted_image: Image | None,
    notes: list[Note],
) -> Chip:
    """The chip with size, images and select line, once it is known where it answers."""
    table = row.table
    answers = reach.answers
    if not answers.any():
        key = ".enable" if table.enable else ".range"
        path = [buffer.ref for buffer in buffers_before(row.ref, around.buffers)]
        through = f", or {' and '.join(path)} never let through what it needs" if path else ""
        raise BadValue(
            f"{row.ref} never answers: its conditions exclude each other{through}",
            "conditions that can hold together",
            key=key,
        )
    if chip.role == "ram" and not answers[WRITE].any():
        notes.append(
            Note(
                "doubt", f"{row.ref}: as RAM that takes no writes, by what its table says", "enable"
            )
        )
    images = _images(row, around.folder) if fitted_image is None else (fitted_image,)
    banks = 1 << len(chip.decoding.bank_lines)
    anywhere = answers[READ] | answers[WRITE]
    size = _size(row, images, anywhere, fitted_image is not None, notes, banks)
    if size % banks:
        raise BadValue(
            f"{size} bytes cannot be divided by {banks} banks",
            "a bank line for every address pin that the CPU does not drive",
            key=".bank_lines",
        )
    chip = replace(chip, images=images, size=size)
    readable = int(np.count_nonzero(answers[READ]))
    if images and table.base is None and size // banks > readable:
        raise BadValue(
            f"the image has {size} bytes, but {row.ref} answers only {readable} addresses"
            + (f" in {banks} banks" if banks > 1 else ""),
            f"at most {readable * banks} bytes, or base = the address at which the image begins",
            key="--fit" if fitted_image else _image_key(table),
            found=images[0].path,
        )
    window = size // banks
    if images and table.base is None and window & (window - 1) and window != readable:
        raise BadValue(
            f"the image has {size} bytes, which cannot repeat through the {readable} addresses of "
            f"{row.ref}",
            f"{readable} bytes, a power of two, or base = the address at which the image begins",
            key="--fit" if fitted_image else _image_key(table),
            found=images[0].path,
        )
    chip = replace(chip, base=_base(row, chip, anywhere, window))
    return replace(chip, selects=_selects(chip, table, reach.gated))


def role_of(row: ChipRow, notes: list[Note]) -> Role:
    """Role as given, else by image, part number or name."""
    table = row.table
    if table.role is not None:
        if table.role == "cpu":
            raise BadValue(
                "the CPU stands under [cpu]", "rom, ram, io, logic or other", key=".role"
            )
        return table.role
    if table.file is not None or table.files is not None:
        return "rom"
    facts = part_facts(table.part)
    if facts is not None:
        return facts.role
    named: tuple[tuple[str, Role], ...] = (("ROM", "rom"), ("RAM", "ram"))
    for word, role in named:
        if re.fullmatch(rf"[A-Z]{{0,2}}{word}[\d_-]*", row.ref, re.IGNORECASE):
            notes.append(Note("guess", f"{row.ref}: taken for a {word} by its name", "role"))
            return role
    if re.match(r"(SN|MC|DM)?[57]4", table.part, re.IGNORECASE):
        return "logic"
    return "other"


def enable_pins(
    enable: Mapping[str, object], names: Names, decoders: Sequence[Decoder]
) -> list[EnablePin]:
    """Pins of an ``enable`` table.

    Raises
    ------
    BadValue
        A net that is not known, or a decoder's output that selects at the other level than the pin.

    Notes
    -----
    A clock pin takes the byte at an edge, the end of the pulse that an output makes in the cycle,
    whichever its level: such a pin is active as its output is.
    """
    pins = []
    for given, value in enable.items():
        name, active = pin_name(given)
        key = f".enable.{given}"
        values = value if isinstance(value, list) else [value]
        if not 0 < len(values) <= 8:
            raise BadValue("a pin takes 1 to 8 nets", NET_FORMS, key=key)
        nets = []
        for item in values:
            try:
                net = known_net(parse_net(item, names), decoders, "")
            except BadValue as bad:
                raise bad.under(key) from None
            level = selecting_level(net, decoders)
            if level is not None and is_clock_pin(name):
                active = level
            elif level is not None and level != active:
                raise _other_level(given, name, net, level, key)
            nets.append(net)
        pins.append(EnablePin(name, active, tuple(nets)))
    return pins


def selecting_level(net: Net, decoders: Sequence[Decoder]) -> int | None:
    """Level that a net has where the decoder's output behind it selects; None for other nets."""
    if net.kind != "output":
        return None
    output = next(d for d in decoders if d.ref == net.chip).output(net.name)
    return None if output is None else output.active ^ int(net.inverted)


def _other_level(given: str, name: str, net: Net, level: int, key: str) -> BadValue:
    """An output on a pin of the other level: the chip would answer nearly everywhere else."""
    words = ("low", "high")
    slash = "" if level else "/"
    return BadValue(
        f"{net} is {words[level]} where it selects, but the pin {given} enables when "
        f"{words[1 - level]}: the chip would be enabled at all the other addresses",
        f'"{slash}{name}" = "{net}", or "{given}" = '
        f'"{replace(net, inverted=not net.inverted)}" where an inverter stands between',
        "a pin that is active low has / in front of its name",
        key=key,
    )


def _decoding(row: ChipRow, around: Around) -> Decoding:
    table = row.table
    if table.undecoded and not (table.range or table.read_range or table.write_range):
        raise BadValue("undecoded lines need a range", "range beside undecoded", key=".undecoded")
    pins = enable_pins(table.enable, around.names, around.decoders)
    for pin in pins:
        if part_facts(table.part) is not None and not is_enable_pin(pin.name):
            raise BadValue(
                f"a {table.part} has no pin {pin.name} that enables it",
                ENABLE_FORMS,
                key=f".enable.{next(k for k in table.enable if pin_name(k)[0] == pin.name)}",
            )
    wired = [
        (output.active, Net("output", chip=decoder.ref, name=output.name))
        for decoder in around.decoders
        for output in decoder.outputs
        if row.ref in output.chips
    ]
    level = wired[0][0] if wired else 0
    if any(active != level for active, _ in wired):
        raise BadValue(
            f"{row.ref} is selected by outputs of both levels: on which pins?",
            f'enable = {{ "/CS1" = "{wired[0][1]}", ... }} instead of outputs',
            key=".enable",
        )
    chosen = None
    if table.select and table.select.pin is not None:
        chosen = pin_name(table.select.pin)[0]
    if wired:
        # The decoder's table names the chip, not its pin; the pin's name may stand in select.
        unnamed = chosen if chosen not in {pin.name for pin in pins} else None
        pins.insert(0, EnablePin(unnamed or "", level, tuple(net for _, net in wired)))
    if chosen is not None and pins and chosen not in {pin.name for pin in pins}:
        raise BadValue(
            "the chip's enable has no such pin",
            ", ".join(table.enable),
            key=".select.pin",
        )
    shared = table.range or ()
    missing = TOP & ~((1 << around.names.address_bits) - 1)
    ranged = table.range or table.read_range or table.write_range
    return Decoding(
        read_ranges=(*shared, *(table.read_range or ())),
        write_ranges=(*shared, *(table.write_range or ())),
        undecoded=table.undecoded | (missing if ranged else 0),
        enable=tuple(pins),
        select_pin=chosen,
        writes_stated=table.write_range is not None,
        when=tuple(_condition(name, level, around.names) for name, level in table.when.items()),
        bank_lines=tuple(
            _state_net(name, f".bank_lines[{index}]", around.names)
            for index, name in enumerate(table.bank_lines)
        ),
    )


def _condition(name: str, level: int, names: Names) -> Net:
    net = _state_net(name, f".when.{name}", names)
    return replace(net, inverted=net.inverted != (level == 0))


def _state_net(text: str, key: str, names: Names) -> Net:
    net = names.state(text)
    if net is None:
        near = nearest(text, names.spelled)
        raise BadValue(
            "there is no such [[state]]",
            ", ".join(names.spelled) or "the name of a [[state]]; this file has none",
            f"did you mean {near}?" if near else None,
            key=key,
            found=text,
        )
    return net


def _image_key(table: ChipTable) -> str:
    return ".file" if table.file is not None else ".files"


def _images(row: ChipRow, folder: Path) -> tuple[Image, ...]:
    table = row.table
    if table.file is not None and table.files is not None:
        raise BadValue(
            "file and files exclude each other",
            "file for one image, files for several",
            key=".files",
        )
    wanted = [(None, table.file)] if table.file is not None else list(table.files or ())
    images: list[Image] = []
    for index, (name, text) in enumerate(wanted):
        key = ".file" if table.file is not None else f".files[{index if name is None else name}]"
        try:
            images.append(read_image(inside(folder, text), name, text))
        except BadValue as bad:
            raise BadValue(bad.what, bad.expected, bad.advice, key=key, found=text) from None
        if len(images[-1]) != len(images[0]):
            raise BadValue(
                f"revisions of one ROM differ in size: {len(images[0])}, {len(images[-1])} bytes",
                f"{len(images[0])} bytes",
                key=key,
                found=text,
            )
    return tuple(images)


def _size(
    row: ChipRow,
    images: Sequence[Image],
    answers: npt.NDArray[np.bool_],
    fitted: bool,
    notes: list[Note],
    banks: int,
) -> int:
    """Size by the image, else as given, else by the part, else one unbroken block in each bank."""
    table = row.table
    facts = part_facts(table.part)
    if images:
        length = len(images[0])
        key = "--fit" if fitted else _image_key(table)
        found = images[0].path
        if table.size is not None and length != table.size:
            raise BadValue(
                f"the image has {length} bytes, size says {table.size}",
                f"{table.size} bytes",
                key=key,
                found=found,
            )
        room = facts.size if facts is not None else int(answers.sum()) * banks
        if fitted and room % length:
            raise BadValue(
                f"the image has {length:,} bytes, which do not fill the {room:,} of {row.ref}",
                f"{room:,} bytes, or a half or a quarter of them",
                key=key,
                found=found,
            )
        if facts is not None and table.size is None and length > facts.size:
            raise BadValue(
                f"the image has {length} bytes, a {table.part} holds {facts.size}",
                f"at most {facts.size} bytes",
                key=key,
                found=found,
            )
        return length
    if table.size is not None:
        return table.size
    if facts is not None:
        notes.append(
            Note("guess", f"{row.ref}: {facts.size:,} bytes, from its part number", "size")
        )
        return facts.size
    port = port_addresses(table.part)
    if port is not None:
        notes.append(
            Note(
                "guess",
                f"{row.ref}: {count_words(port, 'address', 'addresses')}, from its part number",
                "size",
            )
        )
        return port
    here = np.flatnonzero(answers)
    breaks = np.flatnonzero(np.diff(here) > 1)
    return (int(breaks[0]) + 1 if len(breaks) else len(here)) * banks


def _base(row: ChipRow, chip: Chip, answers: npt.NDArray[np.bool_], size: int) -> int:
    """Where byte 0 appears: as given; else its address pins are the CPU's lowest lines; a size
    that is no power of two starts at the chip's first address. `size` is that of one bank.
    """
    if row.table.base is not None:
        return row.table.base
    first = int(np.flatnonzero(answers)[0])
    if size & (size - 1):
        return first
    if chip.images and chip.decoding.by_range and first % size:
        raise BadValue(
            f"${first:04X} is no multiple of the image's {size} bytes: where does byte 0 appear?",
            f'base = "${first:04X}" if the image begins there, base = "${first - first % size:04X}"'
            " if the chip's address pins are the CPU's",
            key=".base",
            found="nothing",
        )
    return 0


def _selects(chip: Chip, table: ChipTable, gated: bool | None) -> tuple[SelectLine, ...]:
    given = table.select
    if given is None and not chip.decoding.addressed:
        return ()
    pin = select_pin(chip)
    ref = chip.ref
    default = f"CS_{ref}"
    name = (given and given.line) or default
    aliases = [default, f"/CS_{ref}", f"{ref}_CS", f"/{ref}_CS", ref]
    if pin is not None:
        aliases += [f"{ref}.{pin.name}"] if pin.name else []
        if len(pin.nets) == 1 and pin.nets[0].kind == "output":
            aliases.append(str(pin.nets[0]).lstrip("!"))
    active = pin.active if pin is not None else 0
    if pin is not None and len(pin.nets) == 1:
        # The line is the decoder's output, also where an inverter stands between it and the pin.
        active ^= int(pin.nets[0].inverted and pin.nets[0].kind == "output")
    if given is not None and given.active is not None:
        active = given.active
    if given is not None and given.phi2 is not None:
        gated = given.phi2
    return (
        SelectLine(
            name=name,
            aliases=tuple(alias for alias in aliases if alias != name),
            active=active,
            with_phi2=gated,
            pin=(pin.name if pin is not None else chip.decoding.select_pin) or None,
        ),
    )
