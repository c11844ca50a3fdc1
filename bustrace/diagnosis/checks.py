"""One instruction for each kind of fault: what to probe, what is good, what is bad, what to swap.

Each goes from cheap to dear: look and reseat, meter and scope, pull what is socketed, swap; never
desolder before that. Levels are those of TTL inputs, 0.8 V and 2.0 V (SN74LS138 data sheet, and the
NMOS 6502 at 1 to 3 MHz), of the W65C02S 0.3 and 0.7 of its supply, and 0.4 V from either rail for
its clock, reset and interrupts (its data sheet, table 6-2; their low level from memory). A TTL
input that nothing drives sits at 1.1 to 1.8 V (Fairchild AN-363). Resistances are common practice:
a line of chips reads kilohms to either rail with the power off, a joint under an ohm or two.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from bustrace.board import Board, Chip, pin_of
from bustrace.diagnosis.naming import (
    buffers_on,
    chip_name,
    decoder_inputs,
    enable_pins,
    far_pins,
    joint,
    listed,
    made_at,
    place_of_line,
    sharing,
    socket_of,
    socketed_on,
    supply_words,
)
from bustrace.faults import OTHER_CHIP, RAM_BANK, SELECT, Fault
from bustrace.hookup import DATA_PINS
from bustrace.units import format_rate, format_time, numbered_runs

SWINGS = "swings below 0.8 V and above 2.0 V"
_CMOS_INPUTS = ("PHI0", "PHI2", "RES", "IRQ", "NMI")
"""Pins of the W65C02S that want to come within 0.4 V of the rails."""
RAIL = "4.75 to 5.25 V"
"""Supply of 74LS and NMOS parts (SN74LS138 and 6502 data sheets)."""


def check_for(fault: Fault, board: Board) -> str:
    """One instruction that proves or clears a fault."""
    banked = _state_check(fault, board)
    if banked is not None:
        return banked
    if fault.family == "silent" or fault.lines == ("DIR",):
        buffer = next((b for b in board.buffers if b.ref in (fault.chip, fault.place)), None)
        if buffer is not None:
            return (
                f"Scope the enable and direction pins of the buffer {chip_name(board, buffer.ref)} "
                f"in a read of {' or '.join(buffer.to)}, and {buffer.lines[0]} on both sides. "
                "Good: the same byte on both sides. Bad: right pins and no data on the CPU's side: "
                f"{swap(board, buffer.ref)}."
            )
    return _BY_FAMILY[fault.family](fault, board)


def swap(board: Board, ref: str) -> str:
    """How to exclude a chip, the cheap way first."""
    socketed = socket_of(board, ref)
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


def _levels(board: Board, line: str) -> tuple[str, str]:
    """Highest low and lowest high level of a line at the CPU's pin."""
    if board.cpu.variant != "W65C02S":
        return "0.8 V", "2.0 V"
    return ("0.4 V", "4.6 V") if line in _CMOS_INPUTS else ("1.5 V", "3.5 V")


def far_side(board: Board, line: str) -> str:
    """Where a line of the CPU arrives: ``U4 pin 22 and U5 pin 24``."""
    return listed(far_pins(board, line)) or "a memory chip's pin"


def _pulses(board: Board, line: str) -> str:
    """How a bus line moves: an address or R/W lasts a cycle at least, a byte half of one."""
    cycle = _lasting(board, Fraction(1, 2) if line in DATA_PINS else Fraction(1))
    return f"it {SWINGS}" + (f", in steps{cycle} or longer" if cycle else "")


def _lasting(board: Board, cycles: Fraction) -> str:
    """`` of 500 ns``, where the clock's rate is told."""
    if not board.clock_hz:
        return ""
    return f" of {format_time(round(10**12 * cycles / board.clock_hz))}"


def _stays(level: int | None) -> str:
    return "stays above 2.0 V" if level else "stays below 0.8 V"


def _pulled_in_turn(board: Board, lines: tuple[str, ...]) -> str:
    refs = socketed_on(board, lines)
    which = ", ".join(refs) if refs else "any that is socketed"
    return f"pull the chips on it one at a time ({which}) and capture again"


def _stuck(fault: Fault, board: Board) -> str:
    if fault.lines[0].startswith(SELECT):
        return _select(fault, board)
    name, cpu = fault.lines[0], board.cpu.ref
    at_cpu = joint(board, cpu, name)
    how = _pulses(board, name)
    if fault.place == "bus":
        rail = "+5 V" if fault.level else "ground"
        return (
            f"Power off: measure {place_of_line(board, name)} to {rail} with an ohmmeter, and a "
            "line beside it to compare. Good: kilohms, alike. Bad: under 100 ohm: a short. Either "
            f"way {_pulled_in_turn(board, fault.lines)}: it moves again when the chip that holds "
            "it is out."
        )
    if fault.place == "cpu":
        told = " if it is socketed" if board.cpu.socketed is None else ""
        first = "" if board.cpu.socketed is False else f"Power off: reseat {cpu}{told}. "
        low, high = _levels(board, name)
        return (
            f"{first}Scope {name} at {at_cpu}, on the leg itself. Good: it swings below "
            f"{low} and above {high}. Bad: it {_stays(fault.level)}, or hangs between: look at its "
            "socket and joints, then swap the CPU last."
        )
    if fault.place in ("read", "write"):
        return (
            f"Scope {name} at {at_cpu} and at {far_side(board, name)}, {_between(board, name)}"
            f"while the CPU {fault.place}s. Good: the same level everywhere, below 0.8 V or above "
            f"2.0 V. Bad: one side {_stays(fault.level)}: what lies between, or the chip there."
        )
    if fault.place in ("behind", "decoder"):
        where = listed(decoder_inputs(board, name)) or "the decoder's input"
        if fault.place == "behind":
            where = far_side(board, name)
        return (
            f"Scope {name} at {at_cpu} and at {where}. Good: the same pulses at both ends; {how}. "
            f"Bad: it {_stays(fault.level)} at the far end alone: a track, joint or buffer between."
        )
    ref = str(fault.place)
    return (
        f"Scope {name} at {joint(board, ref, name)} and at {at_cpu}. Good: the same pulses at "
        f"both; {how}. Bad: at {ref} alone it {_stays(fault.level)}. Then {swap(board, ref)}."
    )


def _between(board: Board, line: str) -> str:
    """The buffers on the way, where there are some or nobody told."""
    buffers = buffers_on(board, line)
    if buffers:
        return f"and on both sides of {listed(buffers)}, "
    return "" if board.complete else "and on both sides of the data buffer, if there is one, "


def _select(fault: Fault, board: Board) -> str:
    ref = fault.lines[0].removeprefix(SELECT)
    chip = next((c for c in board.chips if c.ref == ref), None)
    active = chip.selects[0].active if chip is not None and chip.selects else 0
    source = made_at(board, ref)
    ends = f"at {source} and at {ref}" if source else f"at the decoder's output and at {ref}"
    gated = chip is not None and bool(chip.selects) and chip.selects[0].with_phi2 is True
    width = _lasting(board, Fraction(1, 2) if gated else Fraction(1))
    pulse, rest = ("high", "low") if active else ("low", "high")
    always = "high" if fault.level else "low"
    return (
        f"Scope {place_of_line(board, fault.lines[0])} {ends}. Good: a {pulse} pulse{width} in "
        f"each cycle that addresses {ref}, {rest} between them. Bad: always {always}; at both ends "
        f"it is the decoder or its inputs, at {ref} alone the track or the socket."
    )


def _short(fault: Fault, board: Board) -> str:
    pair = " to ".join(place_of_line(board, name) for name in fault.lines)
    return (
        f"Power off: measure {pair} with an ohmmeter. Good: kilohms. Bad: under 10 ohm: look for a "
        "solder bridge, a splinter or a bent pin; if there is none, "
        f"{_pulled_in_turn(board, fault.lines)}. What stays with all out is the board."
    )


def _open(fault: Fault, board: Board) -> str:
    name, cpu = fault.lines[0], board.cpu.ref
    if name.startswith(SELECT):
        ref = name.removeprefix(SELECT)
        near, far = made_at(board, ref) or "the decoder's output", f"{ref}'s enable pin"
        end: str | None = ref
    else:
        place = str(fault.place)
        through = _last_buffer(board, place, name)
        near = joint(board, through or cpu, name)
        far, end = _far_end(board, place, name)
    first = ""
    if end is not None and socket_of(board, end):
        first = f"pull {end}, clean its pins and socket, refit. Then "
    return (
        f"Power off: {first}buzz {place_of_line(board, name) if name.startswith(SELECT) else name} "
        f"from {near} to {far}. Good: under 2 ohm. Bad: no reading: reflow the joint or bridge the "
        "track. Powered, an open TTL input sits at 1.1 to 1.8 V and shows no pulses."
    )


def _last_buffer(board: Board, ref: str, line: str) -> str | None:
    """The buffer whose far side the net to a chip begins at; an ohmmeter does not see through."""
    return next((b.ref for b in board.buffers if ref in b.to and line in b.lines), None)


def _far_end(board: Board, place: str, line: str) -> tuple[str, str | None]:
    """Where an open net should arrive, and the chip whose socket may be it."""
    if place == "cpu":
        return "the first pad after it", board.cpu.ref
    if place in ("behind", "read", "write"):
        through = ", through each buffer in turn" if buffers_on(board, line) else ""
        return far_side(board, line) + through, None
    if place == "decoder":
        return listed(decoder_inputs(board, line)) or ("the decoder's input"), None
    return joint(board, place, line), place


def _clip(fault: Fault, board: Board) -> str:
    line = place_of_line(board, fault.lines[0])
    return (
        f"Seat the clip on {line} again and capture once more: that costs nothing. Good: the line "
        f"moves now, so it was the clip. Bad: it does not: scope it at the same pin. It {SWINGS} "
        "there: the lead or the channel. It does not: the line itself."
    )


def _held(fault: Fault, board: Board) -> str:
    name = fault.lines[0]
    who = board.irq_from if name == "IRQ" else board.nmi_from if name == "NMI" else ()
    low, high = _levels(board, name)
    text = (
        f"Measure {place_of_line(board, name)} with a scope. Good: it rests above {high} through "
        f"its pull-up. Bad: it {_stays(fault.level)}. "
    )
    if fault.level == 1:
        refs = listed([chip_name(board, ref) for ref in who])
        return (
            f"Scope {place_of_line(board, name)} at {board.cpu.ref} and at "
            f"{refs or 'the chips that ask'}. Good: it falls below {low} when one asks. Bad: low "
            f"at the chip alone, the track or joint between; high at both, the chip, or a short "
            "to +5 V."
        )
    if not who:
        return text + (
            "Power off, pull the socketed chips that can drive it one at a time, and look again; "
            "if it stays, look for the pull-up (kilohms to +5 V) and a short to ground (under 100 "
            "ohm)."
        )
    text += f"It can be pulled low by {', '.join(chip_name(board, ref) for ref in who)}"
    first = [ref for ref in who if socket_of(board, ref)]
    if not first:
        return text + ": see what each is fed, and whether the program clears its request."
    return text + (
        f": power off, pull {', '.join(first)} first and capture again. High now: that chip, or "
        "what its inputs are fed. Still low: another chip, the pull-up or a short to ground."
    )


def _clock(fault: Fault, board: Board) -> str:
    source = f", {chip_name(board, board.clock_from)}" if board.clock_from else ""
    rate = f" of {format_rate(board.clock_hz)}" if board.clock_hz else ""
    low, high = _levels(board, "PHI2")
    lines = [name for name in ("PHI0", "PHI2") if pin_of(board, board.cpu.ref, name)]
    what = " and ".join(place_of_line(board, name) for name in lines or ["PHI0", "PHI2"])
    return (
        f"Scope {what}. Good: a square wave{rate} without gaps, below {low} and above {high}. "
        "Bad: a steady level, gaps, or less swing. Then walk back to the oscillator"
        f"{source}: crystal, divider, and the rail of the chip that makes it ({RAIL})."
    )


def _reset(fault: Fault, board: Board) -> str:
    source = f", {chip_name(board, board.reset_from)}" if board.reset_from else ""
    _, high = _levels(board, "RES")
    bad = "it falls again" if fault.chip == "repeats" else "it stays below 0.8 V"
    return (
        f"Watch {place_of_line(board, 'RES')} with a scope for two seconds after power-on. Good: "
        f"low at first, then one rise above {high}, and it stays. Bad: {bad}. Then look at what "
        f"makes it{source}: button, capacitor, resistor, supervisor, and the rail it watches."
    )


def _silent(fault: Fault, board: Board) -> str:
    ref = fault.chips[0]
    source = made_at(board, ref)
    back = f"follow the select back to {source}" if source else "follow the select to its decoder"
    data = _data_pin(board, ref)
    return (
        f"Scope {enable_pins(board, ref)}, while it is addressed. Good: they pulse to their active "
        f"level, and {data} is then below 0.8 V or above 2.0 V. Bad: no pulses: {back}. Pulses, "
        f"but the data hangs between or only keeps its last level: {swap(board, ref)}."
    )


def _data_pin(board: Board, ref: str) -> str:
    chip = _chip(board, ref)
    mask = 0xFF if chip is None else chip.data_mask
    line = f"D{(mask & -mask).bit_length() - 1}" if mask else "D0"
    return f"{line} ({joint(board, ref, line)})" if pin_of(board, ref, line) else f"its {line}"


def _drives_along(fault: Fault, board: Board) -> str:
    guilty = fault.chips[-1]
    if guilty == OTHER_CHIP:
        return (
            "Power off, pull the other socketed chips on the bus one at a time and capture again. "
            f"Good: {fault.chips[0]} reads right when the one that drives along is out. Bad: it "
            "still does not: a soldered one; while two drive, a data line may sit between 0.8 V "
            "and 2.0 V."
        )
    others = f"{fault.chips[0]} is read" if fault.family == "doubled" else "another chip is read"
    return (
        f"Scope {enable_pins(board, guilty)}, while {others}. Good: at rest then, and every data "
        "line below 0.8 V or above 2.0 V. Bad: active: the decoder. At rest, yet data lines sit "
        f"between: {swap(board, guilty)}."
    )


def _swapped(fault: Fault, board: Board) -> str:
    names = " and ".join(chip_name(board, ref) for ref in fault.chips)
    return (
        f"Compare the labels of {names} with the board file. Good: each is where the file has it. "
        "Bad: power off, swap them, capture again."
    )


def _content(fault: Fault, board: Board) -> str:
    ref = fault.chips[0]
    chip = _chip(board, ref)
    images = chip.images if chip is not None else ()
    sums = " or ".join(f"{image.crc32:08X}" for image in images[:3])
    good = f"CRC-32 {sums}, as the image" if sums else "the bytes of a known-good dump"
    ends = (
        f"Good: {good}: then its pins or its select are at fault. Bad: other bytes: write or fit a "
        "good one."
    )
    socketed = socket_of(board, ref)
    if socketed is False:
        return f"{swap(board, ref)}. Then read it in a programmer. {ends}"
    told = "" if socketed else "if it is socketed, "
    return (
        f"Power off: {told}pull {chip_name(board, ref)}, clean its pins and socket, and read it in "
        f"a programmer. {ends}"
    )


def _memory(fault: Fault, board: Board) -> str:
    ref = fault.chips[0]
    tail = str(fault.chip).split(".")
    if fault.family == "retention":
        good = "what was written comes back for as long as it has power"
        bad = "the same part of it forgets again: refresh, supply or write enable"
    elif fault.family == "cell":
        return (
            "One bad cell is inside the chip; no joint does that. "
            f"{_first_upper(swap(board, ref))}. Good, with a good part: bit {tail[2]} at offset "
            f"${tail[1]} reads both levels. Bad: the same bit is wrong again: another chip drives "
            "along there, or the program writes elsewhere."
        )
    else:
        line = f"D{tail[1]}"
        pin = pin_of(board, ref, line)
        where = f"{line} (pin {pin})" if pin else line
        good = f"{where} {SWINGS} in its reads"
        bad = f"{where} holds one level again: the joint of that pin"
    return f"{_first_upper(swap(board, ref))}. Good, with a good part: {good}. Bad: {bad}."


def _register(fault: Fault, board: Board) -> str:
    ref = fault.chips[0]
    return (
        f"{_first_upper(swap(board, ref))}. Good, with a good part: the bit that the program waits "
        "for changes. Bad: it never does: its clock, its input or its select."
    )


def _cpu(fault: Fault, board: Board) -> str:
    return (
        f"After all lines have been probed: {swap(board, fault.chips[0])}. Good, with a good part: "
        "it fetches the vector and runs from there. Bad: the same again: its clock, reset or rail."
    )


def _shared(fault: Fault, board: Board) -> str:
    ref = str(fault.chip)
    refs = sharing(board, ref)
    parts = numbered_runs(refs) if refs else "these parts"
    own = supply_words(board, ref)
    where = f"({own})" if own else f"at the pins of {parts}"
    shared = f"the enables, inputs and outputs of {ref}"
    if ref == RAM_BANK:
        shared = "their select and write enable and, of dynamic RAM, RAS, CAS and multiplexed lines"
    return (
        f"Measure the supply {where}. Good: {RAIL}. Bad: less: the rail. Then scope {shared}, "
        f"while {parts} are addressed. Good: each {SWINGS}. Bad: one stands still: follow it back "
        "to the chip that makes it."
    )


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
            f"Scope {names} at the port pin of {chip_name(board, board.cpu.ref)} and at the "
            f"decoder while the program writes $0001. Good: it {SWINGS}, alike at both. Bad: it "
            f"{_stays(fault.level)}: power off, take the load off the pin, then try again."
        )
    holder = f"the output of {chip_name(board, bits[0].source)}" if bits[0].source else "its latch"
    where = [f"${first:04X}" for bit in bits for first, _ in bit.write_ranges]
    when = f" to {', '.join(dict.fromkeys(where))}" if where else ""
    by = f" by a write{when}" if where else ""
    if fault.family == "stuck":
        return (
            f"Scope {names} at {holder} and at what it banks, while the program switches it{by}. "
            f"Good: it {SWINGS}, alike at both. Bad: it {_stays(fault.level)}; at the output it is "
            "the latch, at the far end alone the track."
        )
    return (
        f"Scope the clock and data pins of {chip_name(board, bits[0].source or '')} in a write"
        f"{when}, and {names} after it. Good: a pulse on the clock, and the output takes the "
        f"data's level. Bad: both arrive and no change: {swap(board, str(fault.chip))}."
    )


def _chip(board: Board, ref: str) -> Chip | None:
    return next((chip for chip in board.chips if chip.ref == ref), None)


def _first_upper(text: str) -> str:
    return text[0].upper() + text[1:] if text.startswith(("power", "reseat")) else text


_BY_FAMILY: dict[str, Callable[[Fault, Board], str]] = {
    "stuck": _stuck, "short": _short, "open": _open, "clip": _clip, "held": _held,
    "clock": _clock, "reset": _reset, "silent": _silent, "always": _drives_along,
    "doubled": _drives_along, "swapped": _swapped, "content": _content, "cell": _memory,
    "plane": _memory, "retention": _memory, "register": _register, "cpu": _cpu,
    "shared": _shared,
}  # fmt: skip
