"""Lines, pins and chips in words; pin numbers only where a table or the board file has them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from bustrace.board import Board, Chip, package_of, pin_of, supply_pins
from bustrace.faults import RAM_BANK, SELECT, rail_word
from bustrace.findings import behind_buffers, on_rails, served_by_decoders

_ENABLE = re.compile(r"(?:CE|CS|OE|G|RD)\d?|RAS|CAS")
"""Names of pins by which memories and I/O chips are enabled, without the sign for active low."""


def place_of_line(board: Board, line: str) -> str:
    """``A9 (U1 pin 18, U3 pin 24)``: the line with every pin that is known for it; a select by its
    chip and the board file's name for it.
    """
    if line.startswith(SELECT):
        ref = line.removeprefix(SELECT)
        named = [select.name for chip in board.chips if chip.ref == ref for select in chip.selects]
        return f"the select of {ref}" + (f" ({named[0]})" if named else "")
    pins = [
        f"{chip.ref} pin {pin}"
        for chip in board.chips
        if (pin := pin_of(board, chip.ref, line)) is not None
    ]
    return f"{line} ({', '.join(pins)})" if pins else line


def joint(board: Board, ref: str, line: str) -> str:
    """``U4 pin 24``, or ``U4's pin`` where the pin is not known."""
    pin = pin_of(board, ref, line)
    return f"{ref} pin {pin}" if pin is not None else f"{ref}'s pin"


def supply_words(board: Board, ref: str) -> str | None:
    """``U4: +5V on pin 24, GND on pin 12``, where the pins are known."""
    try:
        rails = supply_pins(board, ref)
    except KeyError:
        return None
    told = [f"{rail} on pin {' and '.join(pins)}" for rail, pins in rails.items()]
    return f"{ref}: {', '.join(told)}" if told else None


def enable_pins(board: Board, ref: str) -> str:
    """``the enable pins of U4 (2764, socketed): /CE pin 20, /OE pin 22``."""
    words = f"the enable pins of {chip_name(board, ref)}"
    try:
        chip = board.chip(ref)
    except KeyError:
        return words
    package = package_of(chip.part) if chip.role != "logic" else None
    table = {name: str(at) for at, name in enumerate(package.pins if package else (), 1)}
    pins = [
        f"{name} pin {pin}"
        for name, pin in {**table, **chip.pins}.items()
        if _ENABLE.fullmatch(name.lstrip("/"))
    ]
    return words + (": " + ", ".join(pins) if pins else "")


def made_at(board: Board, ref: str) -> str | None:
    """``U2 pin 15``: the decoder's output that makes a chip's select; ``U2's output Y0`` where the
    pin is not known, None where no decoder is told.
    """
    for decoder in board.decoders:
        for output in decoder.outputs:
            wired = any(
                (net.chip, net.name.casefold()) == (decoder.ref, output.name.casefold())
                for chip in board.chips
                if chip.ref == ref
                for pin in chip.decoding.enable
                for net in pin.nets
            )
            if wired or ref in output.chips:
                pin = pin_of(board, decoder.ref, output.name)
                return (
                    f"{decoder.ref} pin {pin}" if pin else f"{decoder.ref}'s output {output.name}"
                )
    return None


def chip_name(board: Board, ref: str) -> str:
    """``U4 (2764, socketed)``, as far as the board file tells."""
    try:
        chip = board.chip(ref)
    except KeyError:
        return ref
    part = [] if chip.part == "custom" else [chip.part]
    socketed = socket_of(board, ref)
    if socketed is not None:
        part.append("socketed" if socketed else "soldered")
    return f"{ref} ({', '.join(part)})" if part else ref


def socket_of(board: Board, ref: str) -> bool | None:
    """Whether a chip sits in a socket; None where nobody said, or it is not on the board."""
    try:
        return board.chip(ref).socketed
    except KeyError:
        return None


def socketed_on(board: Board, lines: Iterable[str]) -> list[str]:
    """Chips that are known to be socketed, fitted, and on all of these lines; not the CPU.

    A chip of the address map whose pins nobody told is taken to be on every line.
    """

    def on(chip: Chip, line: str) -> bool:
        told = bool(chip.pins) or package_of(chip.part) is not None
        return pin_of(board, chip.ref, line) is not None or (
            not told and chip.ref in board.map.chips
        )

    return [
        chip.ref
        for chip in board.chips
        if chip.role != "cpu" and chip.socketed and chip.fitted
        if all(on(chip, line) for line in lines)
    ]


def far_pins(board: Board, line: str) -> list[str]:
    """``U4 pin 22``: where a line of the CPU arrives, as far as the pins are known; else the
    decoders that look at it.
    """
    pins = [
        f"{chip.ref} pin {pin}"
        for chip in board.chips
        if chip.role != "cpu" and chip.fitted
        if (pin := pin_of(board, chip.ref, line)) is not None
    ]
    return pins or decoder_inputs(board, line)


_INPUTS_138 = ("A", "B", "C", "G1", "/G2A", "/G2B")
"""Inputs of a 74x138, in the order in which an `Output` has its nets (TI SN74HCT138, SCLS171E)."""


def decoder_inputs(board: Board, line: str) -> list[str]:
    """``U2 pin 1``: the inputs of decoders that look at a line; ``U2's input`` without its pin."""
    wanted = "R/W" if line == "RW" else line
    found: list[str] = []
    for decoder in board.decoders:
        pins: list[str | None] = []
        for output in decoder.outputs:
            half = output.name[0]
            names = {
                "74x138": _INPUTS_138,
                "74x139": (f"{half}A", f"{half}B", f"/{half}G"),
            }.get(decoder.kind, (line,) * len(output.inputs))
            pins += [
                pin_of(board, decoder.ref, name)
                for name, net in zip(names, output.inputs, strict=True)
                if str(net).lstrip("!") == wanted
            ]
        found += [
            f"{decoder.ref} pin {pin}" if pin else f"{decoder.ref}'s input"
            for pin in dict.fromkeys(pins)
        ]
    return found


def groups_that_share(board: Board) -> list[tuple[str, str, tuple[str, ...]]]:
    """What several chips have in common: its kind (``bank``, ``decoder``, ``buffer``, ``rail``),
    the name that ``shared`` faults have for it, and the chips.
    """
    rams = tuple(chip.ref for chip in board.mapped if chip.role == "ram")
    groups = [("bank", RAM_BANK, rams)] if len(rams) > 1 else []
    groups += [("decoder", name, refs) for name, refs in served_by_decoders(board)]
    groups += [("buffer", name, refs) for name, refs in behind_buffers(board)]
    return groups + [("rail", rail_word(name), refs) for name, refs in on_rails(board)]


def sharing(board: Board, name: str) -> tuple[str, ...]:
    """Chips that share the thing of that name."""
    return tuple(
        ref for _, group, refs in groups_that_share(board) if group == name for ref in refs
    )


def buffers_on(board: Board, line: str) -> list[str]:
    """Buffers that a line passes."""
    return [buffer.ref for buffer in board.buffers if buffer.fitted and line in buffer.lines]


def decoders_of(board: Board, line: str) -> tuple[str, ...]:
    """Decoders that look at an address line, or that make a select."""
    if line.startswith(SELECT):
        ref = line.removeprefix(SELECT)
        pins = next((chip.decoding.enable for chip in board.chips if chip.ref == ref), ())
        wired = {net.chip for pin in pins for net in pin.nets}
        return tuple(
            d.ref for d in board.decoders
            if d.ref in wired or any(ref in output.chips for output in d.outputs)
        )  # fmt: skip
    name = "R/W" if line == "RW" else line
    return tuple(
        d.ref for d in board.decoders
        if any(str(net).lstrip("!") == name for output in d.outputs for net in output.inputs)
    )  # fmt: skip


def line_words(lines: Iterable[str]) -> str:
    """Lines as people write them: ``A3-A13, D0``; a select by its chip."""
    names: list[str] = []
    run: list[str] = []
    for name in sorted(set(lines), key=natural):
        if run and _follows(run[-1], name):
            run.append(name)
        else:
            names += _run(run)
            run = [name]
    return listed(names + _run(run))


def _run(run: list[str]) -> list[str]:
    shown = [
        f"the chip select of {name.removeprefix(SELECT)}" if name.startswith(SELECT) else name
        for name in run
    ]
    return [f"{shown[0]}-{shown[-1]}"] if len(run) > 2 else shown


def _follows(one: str, other: str) -> bool:
    first, second = (re.fullmatch(r"([AD])(\d+)", name) for name in (one, other))
    return bool(first and second and first[1] == second[1] and int(first[2]) + 1 == int(second[2]))


def natural(name: str) -> tuple[tuple[int, int | str], ...]:
    """Key that sorts names by their numbers: A9 before A10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part)) if part.isdigit() else (1, part) for part in parts)


def listed(names: Sequence[str], last: str = "and") -> str:
    """``A, B and C``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"
