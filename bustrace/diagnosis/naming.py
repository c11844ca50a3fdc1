"""Lines, pins and chips in words; pin numbers only where a table or the board file has them."""

from __future__ import annotations

import re
from collections.abc import Iterable

from bustrace.board import Board, Chip, package_of, pin_of, supply_pins
from bustrace.faults import SELECT

_ENABLE = re.compile(r"(?:CE|CS|OE|G|RD)\d?")
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
