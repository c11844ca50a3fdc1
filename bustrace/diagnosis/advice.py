"""What to do about a suspect: where to probe, what to pull or swap, in what order."""

from __future__ import annotations

import re

from bustrace.board import Board, package_of, pin_of, supply_pins
from bustrace.faults import OTHER_CHIP, PLACES, SELECT, Fault

_ENABLE = re.compile(r"(?:CE|CS|OE|G|RD)\d?")
"""Names of pins by which memories and I/O chips are enabled, without the sign for active low."""

RAILS = (
    "If not done yet, before all else: measure the supply and ground at the pins of each suspect "
    "chip with a meter; a capture cannot see the rails."
)


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


def enable_words(board: Board, ref: str) -> str:
    """``the enable pins of U4 (2764, socketed): /CE pin 20, /OE pin 22``."""
    words = f"the enable and output-enable pins of {chip_name(board, ref)}"
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


def chip_name(board: Board, ref: str) -> str:
    """``U4 (2764, socketed)``, as far as the board file tells."""
    try:
        chip = board.chip(ref)
    except KeyError:
        return ref
    part = [] if chip.part == "custom" else [chip.part]
    if chip.socketed is not None:
        part.append("socketed" if chip.socketed else "soldered")
    return f"{ref} ({', '.join(part)})" if part else ref


def wiggle(board: Board, line: str) -> str:
    """How to find a contact that comes and goes."""
    if line.startswith("select:"):
        line = f"the select of {line[7:]}"
    return (
        f"Seat the clip on {place_of_line(board, line)} again and capture twice more. If it still "
        "varies, press lightly with something that insulates on each socket and joint of that line "
        "while capturing: the one that changes it is the one to reseat or reflow."
    )


def _swap(board: Board, ref: str) -> str:
    """How to exclude a chip, the cheap way first."""
    try:
        socketed = board.chip(ref).socketed
    except KeyError:
        socketed = None
    if socketed:
        return (
            f"power off, pull {chip_name(board, ref)}, clean its pins and socket, refit, capture "
            "again; then try a known-good part"
        )
    if socketed is False:
        return (
            f"{chip_name(board, ref)}: check its supply, enable and data pins before thinking of "
            "desoldering; do every socketed part first"
        )
    return f"reseat {chip_name(board, ref)} if it is socketed, then try a known-good part"


def _state_check(fault: Fault, board: Board) -> str | None:
    """The instruction for a bank bit or the latch that holds it; None for other faults."""
    if fault.family == "stuck":
        bits = [bit for bit in board.state_bits if (bit.name,) == fault.lines]
    elif fault.family == "register":
        bits = [bit for bit in board.state_bits if bit.source == fault.chip]
    else:
        return None
    if not bits:
        return None
    names = ", ".join(bit.name for bit in bits)
    if bits[0].port is not None:
        return (
            f"Probe {names} at the port pin of {chip_name(board, board.cpu.ref)} and at the "
            "decoder while the program writes $0001; then take the load off the pin."
        )
    holder = f"the output of {chip_name(board, bits[0].source)}" if bits[0].source else "its latch"
    where = [f"${first:04X}" for bit in bits for first, _ in bit.write_ranges]
    when = f" to {', '.join(dict.fromkeys(where))}" if where else ""
    if fault.family == "stuck":
        return (
            f"Probe {names} at {holder} and at the decoder and chips that it banks, while the "
            f"program switches it{when}: a level that does not follow at the output is the "
            "latch's, one that is lost on the way is the track's."
        )
    return (
        f"Probe the clock and data pins of {chip_name(board, bits[0].source or '')} in a write"
        f"{when}, and {names} after it: with both there and no change, "
        f"{_swap(board, str(fault.chip))}."
    )


def check_for(fault: Fault, board: Board) -> str:
    """One instruction that proves or clears a fault."""
    cpu = board.cpu.ref
    line = place_of_line(board, fault.lines[0]) if fault.lines else ""
    first_chip = fault.chips[0] if fault.chips else ""
    banked = _state_check(fault, board)
    if banked is not None:
        return banked
    buffer = next((b for b in board.buffers if b.ref in (fault.chip, fault.place)), None)
    if buffer is not None and (fault.family == "silent" or fault.lines == ("DIR",)):
        return (
            f"Probe the enable and direction pins of the buffer {chip_name(board, buffer.ref)} in "
            f"a read of {' or '.join(buffer.to)}, and {buffer.lines[0]} on both sides: right pins "
            f"and no data on the far side, {_swap(board, buffer.ref)}."
        )
    if fault.family == "stuck":
        rail = "ground" if fault.level == 0 else "+5 V"
        if fault.place == "cpu":
            text = (
                f"Power off: reseat {cpu} if it is socketed, and look at its socket and joints at "
                f"{line}. Then scope {line} at the chip's own leg: below 0.8 V or above 2.0 V in "
                "reads (TTL)."
            )
        elif fault.place == "bus":
            text = (
                f"Power off: measure {line} to {rail} and to its neighbours with an ohmmeter. Then "
                "pull the socketed chips on this line one at a time and capture again; the line "
                "comes back when the chip that holds it is out."
            )
        elif fault.place == "behind":
            text = (
                f"Probe {line} at the far end, at a memory chip's pin, and compare with the CPU's "
                "pin: what lies between (track, buffer, solder joint) holds it."
            )
        elif fault.place == "decoder":
            text = f"Probe {line} at the decoder's pins, with the chip it serves."
        elif fault.place in ("read", "write"):
            text = (
                f"Probe {line} on both sides of the data buffer, or, where there is none, at the "
                f"CPU socket and at a memory chip, while the CPU "
                f"{'reads' if fault.place == 'read' else 'writes'}."
            )
        else:
            text = (
                f"Probe {fault.lines[0]} at {joint(board, str(fault.place), fault.lines[0])}; then "
                f"{_swap(board, str(fault.place))}."
            )
        return text
    if fault.family == "short":
        pair = " to ".join(place_of_line(board, name) for name in fault.lines)
        return (
            f"Power off: measure {pair} with an ohmmeter; look for a solder bridge or a bent pin "
            "between them. Pull the socketed chips on both lines one at a time."
        )
    if fault.family == "open":
        name, place = fault.lines[0], str(fault.place)
        return (
            f"Power off: buzz {name} from {joint(board, cpu, name)} to "
            f"{joint(board, place, name)}; reflow or reseat."
        )
    if fault.family == "clip":
        return f"Seat the clip on {line} again and capture once more; the line itself looks fine."
    if fault.family == "held":
        who = board.irq_from if fault.lines == ("IRQ",) else board.nmi_from
        sources = [chip_name(board, ref) for ref in who]
        text = f"Measure {line}: it should rest high through its pull-up."
        if sources:
            socketed = [r for r in who if board.chip(r).socketed]
            text += f" It can be pulled low by {', '.join(sources)}"
            text += f"; pull {', '.join(socketed)} first and capture again." if socketed else "."
        else:
            text += (
                " Pull the socketed chips that can drive it one at a time; if it stays low, look "
                "for the pull-up and a short to ground."
            )
        return text
    if fault.family == "clock":
        source = f" ({chip_name(board, board.clock_from)})" if board.clock_from else ""
        return (
            f"Scope PHI0 and {place_of_line(board, 'PHI2')} at {cpu}, then walk back to the "
            f"oscillator{source}: crystal, divider, and the rail of the chip that makes it."
        )
    if fault.family == "reset":
        source = f" ({chip_name(board, board.reset_from)})" if board.reset_from else ""
        return (
            f"Watch {place_of_line(board, 'RES')} with a meter or scope for two seconds after "
            f"power-on: it must rise once and stay. Then its circuit{source}: capacitor, "
            "resistor, button, supervisor, and the rail it watches."
        )
    if fault.family == "silent":
        return (
            f"Probe {enable_words(board, first_chip)}, while it is addressed. "
            f"If they come, {_swap(board, first_chip)}. If they do not, follow the "
            "select back to the decoder."
        )
    if fault.family in ("doubled", "always"):
        guilty = fault.chips[-1]
        if guilty == OTHER_CHIP:
            return (
                f"Pull the other socketed chips on the bus one at a time and capture again: "
                f"{first_chip} reads right when the one that drives along is out."
            )
        return (
            f"Probe the enable pins of {chip_name(board, guilty)}: they are active when they "
            "should not be, or it drives regardless. If the pins are right, "
            f"{_swap(board, guilty)}."
        )
    if fault.family == "swapped":
        return f"Compare the labels of {' and '.join(fault.chips)} with the board file; swap them."
    if fault.family in ("content", "plane", "cell", "retention", "register"):
        extra = " Read it in a programmer and compare." if fault.family == "content" else ""
        text = _swap(board, first_chip)
        return f"{text[0].upper()}{text[1:]}.{extra}"
    if fault.family == "cpu":
        text = _swap(board, first_chip)
        return f"After all lines have been probed: {text}."
    return "Look for what these parts have in common: rail, buffer, refresh, select."


def check_for_class(fault: Fault, alike: tuple[Fault, ...], board: Board) -> str:
    """One instruction for a class of faults: the head's, or, for many lines, one for them all."""
    kind = (fault.family, fault.level, fault.place)
    lines = [
        f.lines[0]
        for f in (fault, *alike)
        if (f.family, f.level, f.place) == kind and len(f.lines) == 1
    ]
    if len(lines) < 3:
        return check_for(fault, board)
    where = fault.place if fault.place not in PLACES else "a memory chip"
    level = "" if fault.level is None else f" one that stays {'high' if fault.level else 'low'}:"
    return (
        f"Probe {', '.join(lines)} in turn, at {where}'s pins and at {board.cpu.ref}'s, and look "
        f"for{level} this capture cannot tell which of them it is."
    )


def tell_apart(fault: Fault, alike: tuple[Fault, ...], board: Board) -> str | None:
    """The measurement that separates a class of faults, or None for a single one."""
    if not alike:
        return None
    everyone = (fault, *alike)
    places = {f.place for f in everyone if f.family in ("stuck", "open")}
    lines = {name for f in everyone for name in f.lines if not name.startswith(SELECT)}
    chips = sorted({ref for f in everyone for ref in f.chips})
    if any(name.startswith(SELECT) for f in everyone for name in f.lines) and chips:
        return (
            f"Clip the select of {chips[0]} too: it tells a chip that is not asked from one that "
            "is mute."
        )
    if any(f.family == "clip" for f in everyone):
        name = next(iter(lines), "the line")
        return f"Seat the clip on {name} again, or probe {name} at another pin of the same net."
    if places & set(PLACES) and chips:
        name = next(iter(sorted(lines)), "the line")
        return (
            f"Probe {name} at {chips[0]}'s pin and at the CPU's at once: a difference lies between "
            f"them; none, and a clean level, point to {chips[0]} itself."
        )
    if len(places) > 1:
        name = next(iter(sorted(lines)), "the line")
        return f"Probe {name} at the CPU, behind the buffer and at a memory chip in one capture."
    if chips:
        return f"Swap {chips[0]} for a known-good part and capture again."
    return None
