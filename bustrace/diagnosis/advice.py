"""What to do about suspects: rails, one check for a class, what splits it, what varies."""

from __future__ import annotations

from collections.abc import Iterable

from bustrace.board import Board
from bustrace.diagnosis.checks import RAIL, SWINGS, check_for, far_side
from bustrace.diagnosis.naming import (
    buffers_on,
    chip_name,
    far_pins,
    joint,
    line_words,
    listed,
    made_at,
    place_of_line,
    sharing,
    socket_of,
    socketed_on,
    supply_words,
)
from bustrace.faults import PLACES, SELECT, Fault
from bustrace.units import numbered_runs

RAILS = "If not done yet, before all else: measure the supply with a meter"
"""How the step about the rails begins."""

_FEW = 3
"""Kinds of chips whose supply pins are told."""

_DRIVERS = ("always", "doubled")


def rails(board: Board, faults: Iterable[Fault]) -> str:
    """The step that comes before all others: the supply at the suspects' pins, else the CPU's."""
    makers = {"clock": board.clock_from, "reset": board.reset_from}
    refs: list[str] = []
    for fault in faults:
        made_by = makers.get(fault.family)
        shared = sharing(board, str(fault.chip)) if fault.family == "shared" else ()
        refs += fault.chips or shared or ([made_by] if made_by else [])
    alike: dict[str, list[str]] = {}
    for ref in dict.fromkeys(refs):
        _supply_of(alike, board, ref)
    if not alike:
        _supply_of(alike, board, board.cpu.ref)
    told = [f"{numbered_runs(chips)}: {pins}" for pins, chips in alike.items()][:_FEW]
    where = f", on the pins themselves ({'; '.join(told)})" if told else ", at each chip's pins"
    more = any(rail in words for words in told for rail in ("+12V", "-5V"))
    others = ", and each other rail within a tenth" if more else ""
    return (
        f"{RAILS}{where}. Good: {RAIL} from +5 V to ground{others}. Bad: less: fuse, regulator and "
        "connector come before any chip. A capture cannot see the rails."
    )


def _supply_of(alike: dict[str, list[str]], board: Board, ref: str) -> None:
    """Put a chip to those whose supply is on the same pins."""
    words = supply_words(board, ref)
    if words:
        alike.setdefault(words.removeprefix(f"{ref}: "), []).append(ref)


def behind_the_bus(board: Board) -> str:
    """Where to look when the CPU's side is right and the board still fails."""
    refs = [c.ref for c in board.chips if c.role == "io" and c.fitted]
    named = listed([chip_name(board, ref) for ref in refs[:_FEW]])
    chips = f"at {named}" if named else "at the chips that make picture, sound and I/O"
    return (
        "If the board still fails, the fault lies behind what these clips see, or later in the "
        f"boot. Measure the supply {chips}, {RAIL}, then scope the clock and the outputs there. "
        f"Good: each {SWINGS}: follow the outputs to the connectors. Bad: no clock: walk it back; "
        "a clock but still outputs: that chip, or what holds them. Or capture longer."
    )


def wiggle(board: Board, line: str) -> str:
    """How to find a contact that comes and goes."""
    if line.startswith("select:"):
        line = f"the select of {line[7:]}"
    return (
        f"Seat the clip on {place_of_line(board, line)} again and capture twice more. If it still "
        "varies, press lightly with something that insulates on each socket and joint of that line "
        "while capturing: the one that changes it is the one to reseat or reflow."
    )


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
    where = f"{fault.place}'s pins" if fault.place not in PLACES else "a memory chip's pins"
    stays = "" if fault.level is None else f", and stays {'high' if fault.level else 'low'}"
    return (
        f"Scope {line_words(lines)} in turn, at {where} and at {_cpu(board)}: this capture cannot "
        f"tell which of them it is. Good: the same pulses at both, each {SWINGS}. Bad: one differs "
        f"at the far end{stays}."
    )


def tell_apart(fault: Fault, alike: tuple[Fault, ...], board: Board) -> str | None:
    """The measurement that separates a class of faults, or None for a single one."""
    if not alike:
        return None
    everyone = (fault, *alike)
    places = {f.place for f in everyone if f.family in ("stuck", "open", "short")}
    chips = sorted({ref for f in everyone for ref in f.chips})
    clips = [f for f in everyone if f.family == "clip"]
    bits = [b for b in board.state_bits if any((b.name,) == f.lines for f in everyone)]
    if bits:
        told = listed([bit.name for bit in bits])
        return (
            f"Clip {told} too. It follows the writes that switch it: look at the decoder and its "
            f"inputs. It does not: it is {chip_name(board, bits[0].source or 'its latch')}."
        )
    selects = [f for f in everyone if f.lines and f.lines[0].startswith(SELECT)]
    if selects and fault.place in ("behind", "decoder") and fault not in selects:
        return _by_the_decoder(fault, selects[0], board)
    if selects:
        return _by_select(selects, any(f.family in _DRIVERS for f in everyone), board)
    if clips:
        return _by_another_pin(fault, clips[0].lines[0], board)
    if fault.family == "held" and chips:
        return _by_pulling_one_by_one(fault.lines[0], chips, board)
    names = [name for f in everyone for name in f.lines]
    if not names:
        swapped = sorted({ref for f in everyone if f.family == "swapped" for ref in f.chips})
        if swapped:
            return (
                f"Read the type numbers on {listed(swapped)}: each must sit where the board's plan "
                f"has it. They do: swap {fault.chips[0]} for a known-good part and capture again."
            )
        return f"Swap {chips[0]} for a known-good part and capture again." if chips else None
    name = names[0]
    if places <= {"bus", "cpu"}:
        return _by_pulling_the_cpu(everyone, board)
    if places & set(PLACES) and chips:
        return (
            f"Probe {name} at {joint(board, chips[0], name)} and at {_cpu(board, name)} at once: a "
            f"difference lies between them; none, and a clean level, point to {chips[0]} itself."
        )
    if len(places) > 1:
        return _by_both_ends(fault, name, board)
    return _at_one_chip(everyone, chips[0], name, board) if chips else None


def _cpu(board: Board, line: str | None = None) -> str:
    ref = "the CPU" if board.cpu.ref == "CPU" else board.cpu.ref
    if line is None:
        return f"{ref}'s"
    at = joint(board, board.cpu.ref, line)
    return f"the {at}" if board.cpu.ref == "CPU" else at


def _by_another_pin(fault: Fault, line: str, board: Board) -> str:
    """The clip, or what it sits on, from the line."""
    pins = listed(far_pins(board, line), "or")
    first = "" if fault.family == "clip" else f"Seat the clip on {line} again. No change: "
    text = (
        f"{first}scope {line} at another pin of its net{f', {pins}' if pins else ''}. It moves or "
        "rests there as it should: the clip, or the pin that it sits on. The same level there: the "
        "line itself."
    )
    return text[0].upper() + text[1:]


def _by_pulling_one_by_one(line: str, refs: list[str], board: Board) -> str:
    """A line from the chips that may pull it: those in sockets first."""
    order = sorted(refs, key=lambda ref: not socket_of(board, ref))
    soldered = [ref for ref in order if socket_of(board, ref) is False]
    lift = f" ({listed(soldered)}: lift that pin)" if soldered else ""
    return (
        f"Power off, take {listed(order, 'or')} off {line} one at a time{lift} and scope it again. "
        f"It rises: that chip. Still low with all off: the pull-up of {line}, its track, or "
        f"{_cpu(board)} own pin."
    )


def _by_select(selects: list[Fault], drives: bool, board: Board) -> str:
    """A chip that is not asked from one that is mute, or asked always from one that drives."""
    line = selects[0].lines[0]
    ref = line.removeprefix(SELECT)
    source = made_at(board, ref)
    own = "itself, driving unasked" if drives else "itself, mute"
    if any(f.place in ("decoder", "bus") for f in selects):
        at = f", at {source}," if source else ""
        wrong = "at rest while the wrong bytes come" if drives else "pulsing for each read"
        other = "active then" if drives else "without pulses"
        return (
            f"Clip {place_of_line(board, line)}{at} too: {wrong}, it is {ref} {own}; {other}, the "
            "decoder or its inputs."
        )
    wrong = "At rest" if drives else "The same pulses at both"
    return (
        f"Scope the select of {ref} at its own pin and at {source or 'the decoder'}. {wrong}: it "
        f"is {ref} {own}. Different at the two: the track, joint or socket between."
    )


def _by_pulling_the_cpu(everyone: tuple[Fault, ...], board: Board) -> str:
    """One net: only taking the CPU off it tells its pin from the rest."""
    lines = listed(list(everyone[0].lines))
    if board.cpu.socketed is False:
        return (
            f"With every socketed chip out and {lines} still wrong, what is left is the board, the "
            f"soldered chips and {_cpu(board)} own pin: look for a bridge before desoldering."
        )
    told = "" if board.cpu.socketed else " if it is socketed"
    return (
        f"Power off, pull {board.cpu.ref}{told} and measure {lines} at the empty socket: the low "
        f"resistance is gone: {_cpu(board)} own pin. Still there: the board or another chip."
    )


def _by_the_decoder(fault: Fault, select: Fault, board: Board) -> str:
    """A decoder's input from its output."""
    ref = select.lines[0].removeprefix(SELECT)
    output = made_at(board, ref) or "the decoder's output"
    return (
        f"{fault.lines[0]} is right at the decoder's input too: scope the select at {output} and "
        f"at {ref}. Wrong at both, the decoder or what loads its output; wrong at {ref} alone, the "
        "track between."
    )


def _by_both_ends(fault: Fault, name: str, board: Board) -> str:
    """A net that is wrong as a whole from one that is wrong past some point."""
    if fault.family == "short":
        return (
            f"With the power off, measure between {listed(list(fault.lines))} at {_cpu(board)} "
            f"pins and at {far_side(board, name)}: the bridge lies where the reading is least."
        )
    if fault.place in ("behind", "decoder", "read", "write"):  # the check has both ends in hand
        refs = listed(socketed_on(board, (name,)), "or") or "any that is socketed"
        return (
            f"Wrong at both ends: something holds {name} as a whole: power off, pull the chips on "
            f"it one at a time ({refs}) and capture again. Wrong at one end alone: what lies "
            "between, or the chip there."
        )
    buffers = buffers_on(board, name)
    through = f", on both sides of {listed(buffers)}" if buffers else ""
    return (
        f"Probe {name} at {_cpu(board, name)}{through} and at {far_side(board, name)} in one "
        "capture: what differs lies between; the same wrong level everywhere, on the whole net."
    )


def _at_one_chip(everyone: tuple[Fault, ...], ref: str, name: str, board: Board) -> str:
    """A chip from the joint of one of its pins."""
    pin = joint(board, ref, name)
    role = next((chip.role for chip in board.chips if chip.ref == ref), None)
    if role == "rom" and any(f.family == "plane" for f in everyone):
        return (
            f"Read {ref} in a programmer: wrong there too, it is the chip; right there, the joint "
            f"or socket of {pin} ({name})."
        )
    if name.startswith("D"):
        return (
            f"Scope {name} at {pin} and at {_cpu(board, name)} while {ref} is read: right at {ref} "
            f"alone, the joint or socket; wrong at both, {ref} itself."
        )
    return (
        f"Powered, scope {name} at {pin}: the pulses of {_cpu(board, name)} there, it is {ref} "
        "itself; 1.1 to 1.8 V and no pulses, the joint is open; a steady level, something holds "
        "it."
    )
