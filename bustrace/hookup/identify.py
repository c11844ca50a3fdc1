"""Names to pins, and what has to be asked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from bustrace.board.model import Board, Chip, ClipPlace
from bustrace.capture.model import Capture, Note
from bustrace.errors import HookupError, nearest
from bustrace.hookup.model import ADDRESS_PINS, CLOCK_PINS, DATA_PINS, SELECT, Hookup, Tap
from bustrace.hookup.names import (
    CONTROL_PINS,
    PINS,
    Meaning,
    chip_words,
    core_of,
    meaning_of,
)

IGNORE = ("-", "none")
"""Values of `given` that leave a line out."""


def identify_hookup(
    capture: Capture, board: Board | None = None, given: Mapping[str, str] | None = None
) -> Hookup:
    """Tell which capture line is which pin.

    Parameters
    ----------
    capture : Capture
    board : Board or None
        Its select names are recognised, and their active levels known.
    given : mapping of str to str, or None
        Line name to pin, for lines whose names do not tell. The value may start with ``!`` (the
        capture shows the opposite level) and end with a place (``PHI2@U1.39``); ``-`` or ``none``
        leaves the line out. A key may also be the name of a pin that was recognised: it then means
        that pin's line.

    Returns
    -------
    Hookup
        With questions where only the person who placed the clips can tell.

    Raises
    ------
    HookupError
        A key is no line, or a value no pin, or two lines are given for one pin.
    """
    chips = [chip for chip in board.chips if chip.selects] if board is not None else []
    cpu = board.cpu.ref if board is not None else ""
    told = _read_given(capture, dict(given or {}), chips, cpu)
    names = _trust_names(capture.lines, chips, told)
    instead = {line: tap for line, tap in told.items() if not tap or _at_cpu(tap, cpu)}
    twice = board.clip.second if board is not None else {}
    named, notes = _taps_by_name(capture, names.meanings, chips, instead, twice)
    taps, second = _first_clips([*named, *(tap for tap in told.values() if tap)], cpu)
    taps, beyond = _on_this_cpu(taps, board)
    questions = list(names.questions)
    clocked = capture.mode == "state" or any(tap.pin in CLOCK_PINS for tap in taps)
    if not clocked and not questions and not _clock_left_off(capture.lines, taps, told):
        questions.append(
            "Which line is phase 2, the CPU's clock? No name tells. If it was not clipped, clip it "
            "and capture again."
        )
    used = {tap.line for tap in (*taps, *second)}
    return Hookup(
        taps=tuple(taps),
        unused=tuple(line for line in capture.lines if line not in used),
        questions=tuple(questions),
        notes=(*_summary(taps), *names.notes, *beyond, *_second_notes(taps, second), *notes),
        second=tuple(second),
    )


def _at_cpu(tap: Tap, cpu: str) -> bool:
    """Whether a clip sits at the CPU, which is where it sits when nobody said."""
    return tap.place is None or tap.place.partition(".")[0].casefold() == cpu.casefold()


def _first_clips(taps: list[Tap], cpu: str) -> tuple[list[Tap], list[Tap]]:
    """One clip a pin, the CPU's where there is one, and the others; in the capture's order."""
    by_pin: dict[str, Tap] = {}
    for tap in sorted(taps, key=lambda tap: (not _at_cpu(tap, cpu), tap.index)):
        by_pin.setdefault(tap.pin, tap)
    first = sorted(by_pin.values(), key=lambda tap: tap.index)
    others = [tap for tap in taps if by_pin[tap.pin] is not tap]
    return first, sorted(others, key=lambda tap: tap.index)


def _second_notes(taps: list[Tap], second: list[Tap]) -> list[Note]:
    first = {tap.pin: tap for tap in taps}
    return [
        Note(
            "fact",
            f"{tap.pin} is clipped twice: {first[tap.pin].line} is read, {tap.line} at {tap.place} "
            "is compared with it.",
            f"--line {tap.line}=-",
        )
        for tap in second
    ]


def _on_this_cpu(taps: list[Tap], board: Board | None) -> tuple[list[Tap], list[Note]]:
    """The taps without address lines that a 28-pin CPU does not bring out."""
    if board is None:
        return taps, []
    kept = [tap for tap in taps if tap.pin not in ADDRESS_PINS or board.has_pin(tap.pin)]
    beyond = [tap.line for tap in taps if tap not in kept]
    if not beyond:
        return kept, []
    text = f"A {board.cpu.part} has no pins for {_listed(beyond)}: left out."
    return kept, [Note("fact", text)]


def _clock_left_off(
    lines: tuple[str, ...], taps: list[Tap], told: Mapping[str, Tap | None]
) -> bool:
    """Whether no line can be the clock, and the bus is there to estimate it from."""
    used = {tap.line for tap in taps}
    nameless = [
        line for line in lines if line not in used and line not in told and not meaning_of(line)
    ]
    pins = {tap.pin for tap in taps}
    return not nameless and not pins.isdisjoint({*ADDRESS_PINS, "RW", "SYNC"})


def parse_pin(text: str, chips: list[Chip] | None = None) -> tuple[str, bool, str | None]:
    """Read a pin as written in a hookup: ``PHI2``, ``!RES``, ``A0@U1.9``, ``CS_ROM``.

    Returns
    -------
    pin : str
    inverted : bool
    place : str or None

    Raises
    ------
    HookupError
        No such pin.
    """
    name, _, place = text.strip().partition("@")
    inverted = name.startswith("!")
    name = name.removeprefix("!").strip()
    known = chips or []
    if name.casefold().startswith(SELECT):
        ref = name[len(SELECT) :].strip()
        chip = next((c for c in known if c.ref.casefold() == ref.casefold()), None)
        if ref and (chip is not None or not known):
            return SELECT + (chip.ref if chip else ref.upper()), inverted, place.strip() or None
    elif name.upper() in PINS:
        return name.upper(), inverted, place.strip() or None
    elif (found := _board_chip(name, known)) is not None:
        return SELECT + found.ref, inverted, place.strip() or None
    else:
        meaning = meaning_of(name)
        if meaning is not None and meaning.pin in PINS:
            return meaning.pin, inverted, place.strip() or None
        if meaning is not None and meaning.pin.startswith(SELECT) and not known:
            return meaning.pin, inverted, place.strip() or None
    selects = [select.name for chip in known for select in chip.selects]
    close = nearest(name, [*PINS, *selects, *(SELECT + chip.ref for chip in known)])
    raise HookupError(
        f"{name!r} is no pin" + (f"; the nearest is {close}" if close else ""),
        found=text,
        expected=f"{', '.join(CLOCK_PINS)}, A0 to A15, D0 to D7, {', '.join(CONTROL_PINS)}, "
        "select:CHIP, or - to leave the line out",
    )


@dataclass(slots=True)
class _Names:
    meanings: dict[str, Meaning]
    questions: list[str]
    notes: list[Note]


def _read_given(
    capture: Capture, given: dict[str, str], chips: list[Chip], cpu: str
) -> dict[str, Tap | None]:
    """Taps that were given, by line; None for a line to leave out."""
    told: dict[str, Tap | None] = {}
    for key, value in given.items():
        line = _line_of(capture, key, chips)
        if line in told:
            raise HookupError(f"the line {line} is given twice", key=key, found=value)
        if value.strip().casefold() in IGNORE:
            told[line] = None
            continue
        try:
            pin, opposite, place = parse_pin(value, chips)
        except HookupError as error:
            error.key = key
            raise
        inverted = opposite
        if pin.startswith(SELECT):
            chip = next((c for c in chips if SELECT + c.ref == pin), None)
            active = 0 if chip is None else _active_level(chip, line)
            inverted = (active == 0) != opposite
        tap = Tap(line, capture.lines.index(line), pin, inverted, "given", place)
        other = next((t for t in told.values() if t and t.pin == pin), None)
        if other is not None and (_at_cpu(tap, cpu) == _at_cpu(other, cpu) or pin in CLOCK_PINS):
            raise HookupError(
                f"{other.line} and {line} are both given as {pin}",
                key=key,
                found=value,
                advice="give one of them, or leave the other out with '-'; a net that is clipped "
                f"twice needs the place of the second clip, as in {pin}@U4.3",
            )
        told[line] = tap
    return told


def _line_of(capture: Capture, key: str, chips: list[Chip]) -> str:
    """The capture line that a key of `given` means."""
    if key in capture.lines:
        return key
    folded = [line for line in capture.lines if line.casefold() == key.strip().casefold()]
    if len(folded) == 1:
        return folded[0]
    try:
        pin = parse_pin(key, chips)[0]
    except HookupError:
        pin = ""
    names = _trust_names(capture.lines, chips, {})
    for tap in _taps_by_name(capture, names.meanings, chips, {})[0]:
        if tap.pin == pin:
            return tap.line
    close = nearest(key, capture.lines)
    raise HookupError(
        f"the capture has no line {key!r}" + (f"; the nearest is {close}" if close else ""),
        key=key,
        expected=f"one of {', '.join(capture.lines)}",
    )


def _trust_names(
    lines: tuple[str, ...], chips: list[Chip], told: Mapping[str, Tap | None]
) -> _Names:
    """Meanings of the names, without those that are more likely the analyser's own channels."""
    meanings: dict[str, Meaning] = {}
    for line in lines:
        meaning = meaning_of(line)
        if meaning is None or meaning.pin not in PINS:
            chip = _board_chip(line, chips)
            if chip is not None:
                meaning = Meaning(SELECT + chip.ref)
        if meaning is not None:
            meanings[line] = meaning
    _drop_short(lines, meanings)
    clocks = [m for m in meanings.values() if m.pin in CLOCK_PINS and m.certainty != "vague"]
    if clocks or any(tap and tap.pin in CLOCK_PINS for tap in told.values()):
        meanings = {line: m for line, m in meanings.items() if m.certainty != "vague"}

    pods = [line for line in lines if re.fullmatch(r"[bcefgh]\d{1,2}", line.strip().casefold())]
    anchored = any(not m.family for m in meanings.values()) or any(told.values())
    doubtful = _doubtful(lines, meanings, bool(pods), anchored)
    for line in doubtful:
        del meanings[line]
    names = _Names({line: m for line, m in meanings.items() if line not in told}, [], [])
    if doubtful and not any(told.values()):
        channels = sorted({*doubtful, *pods}, key=lines.index)
        names.questions.append(
            f"Are {_listed(channels)} pins of the CPU, or the analyser's own channels? Names like "
            "these do not tell. Say which is phase 2, R/W, RES and each bus line, as in "
            f"--line {channels[0]}=PHI2"
        )
    if not meanings and not doubtful and not any(told.values()):
        names.questions.append(
            f"What are {_listed(lines)} clipped to? These names do not tell. Say which is phase 2, "
            f"R/W, RES and each bus line, as in --line {lines[0]}=PHI2"
            if lines
            else "The capture has no lines."
        )
    beyond = [
        line
        for line, m in names.meanings.items()
        if m.pin not in PINS and not m.pin.startswith(SELECT)
    ]
    for line in beyond:
        del names.meanings[line]
    if beyond:
        names.notes.append(Note("fact", f"A 6502 has no pins for {_listed(beyond)}: left out."))
    return names


def _doubtful(
    lines: tuple[str, ...], meanings: Mapping[str, Meaning], pods: bool, anchored: bool
) -> list[str]:
    """Lines with one-letter bus names that are more likely channels of the analyser.

    Analysers call their inputs D0 to D7, D0 to D15 or more, or A0 to A7 and B0 to B7 by pod
    (common practice). A 6502 has no D8, and a person who names the address bus names more of it.
    """
    members = {x: [line for line, m in meanings.items() if m.family == x] for x in "AD"}
    bits = {x: {int(meanings[line].pin[1:]) for line in members[x]} for x in "AD"}
    wide = bool(bits["A"]) and max(bits["A"]) > 7 and not pods
    doubtful: set[str] = set()
    if pods:
        doubtful.update(members["A"], members["D"])
    if bits["D"]:
        in_place = all(lines.index(line) == int(meanings[line].pin[1:]) for line in members["D"])
        if max(bits["D"]) > 7 or (not anchored and not wide) or (in_place and len(bits["D"]) < 8):
            doubtful.update(members["D"])
    if bits["A"] and not anchored and not (wide and len(bits["D"]) == 8):
        doubtful.update(members["A"])
    return sorted(doubtful, key=lines.index)


def _drop_short(lines: tuple[str, ...], meanings: dict[str, Meaning]) -> None:
    """Take P2 and 02 for a clock phase only where the names do not run on (P3, 05)."""
    numbered = [match for line in lines if (match := re.fullmatch(r"(\D*)(\d+)", core_of(line)[0]))]
    run_on = {match[1] for match in numbered if int(match[2]) > 2}
    for line in [line for line, m in meanings.items() if m.certainty == "short"]:
        if re.sub(r"\d+$", "", core_of(line)[0]) in run_on:
            del meanings[line]


def _taps_by_name(
    capture: Capture,
    meanings: Mapping[str, Meaning],
    chips: list[Chip],
    told: Mapping[str, Tap | None],
    twice: Mapping[str, ClipPlace] = MappingProxyType({}),
) -> tuple[list[Tap], list[Note]]:
    """Taps of the lines that were not given, one a pin but for those that the board file says are
    clipped twice, and what was decided on the way.
    """
    occupied = {tap.pin for tap in told.values() if tap}
    taps: dict[str, Tap] = {}
    notes: list[Note] = []
    assumed_low: list[str] = []
    repeats: list[tuple[str, str]] = []
    unmatched: list[str] = []
    second: dict[str, Tap] = {}
    # A chip's select goes before its output enable.
    for line in sorted(meanings, key=lambda line: meanings[line].output_enable):
        meaning = meanings[line]
        if meaning.pin in occupied:
            continue
        tap = Tap(line, capture.lines.index(line), meaning.pin)
        if meaning.pin.startswith(SELECT):
            chip = next((c for c in chips if SELECT + c.ref == meaning.pin), None)
            if chips and chip is None:
                unmatched.append(line)
                continue
            low = chip is None or _active_level(chip, line) == 0
            tap = replace(tap, inverted=low, why="board" if chip else "name")
        earlier = taps.get(meaning.pin)
        if earlier is not None:
            if tap.pin in twice and tap.pin not in second:
                second[tap.pin] = replace(tap, why="board", place=str(twice[tap.pin]))
            elif _agree(capture, earlier.index, tap.index):
                repeats.append((line, earlier.line))
            else:
                notes.append(
                    Note(
                        "doubt",
                        f"{earlier.line} and {line} are both named like {meaning.pin} and differ: "
                        f"{earlier.line} was taken.",
                        f"--line {line}={meaning.pin}",
                    )
                )
            continue
        taps[meaning.pin] = tap
        if tap.pin.startswith(SELECT) and tap.why == "name":
            assumed_low.append(line)
        notes += _name_notes(line, meaning)
    if repeats:
        notes.append(
            Note(
                "fact",
                f"{_listed([line for line, _ in repeats])} left out: always at the level of "
                f"{_listed([line for _, line in repeats])}.",
            )
        )
    if unmatched:
        notes.append(
            Note(
                "fact",
                f"{_listed(unmatched)} left out: named like a chip select, of a chip that the "
                "board does not have.",
                f"--line {unmatched[0]}=select:CHIP",
            )
        )
    if assumed_low:
        first = assumed_low[0]
        notes.append(
            Note(
                "guess",
                f"{_listed(assumed_low)} taken for chip selects, active low.",
                f"--line {first}=!{next(tap.pin for tap in taps.values() if tap.line == first)}",
            )
        )
    return [*taps.values(), *second.values()], notes


def _name_notes(line: str, meaning: Meaning) -> list[Note]:
    if meaning.certainty == "vague":
        text = f"{line} taken for the CPU's clock, phase 2 or one like it."
        return [Note("guess", text, f"--line {line}=PHI1")]
    if meaning.marked and meaning.pin in ("RDY", "BE", "AEC", "BA", "SYNC", "VDA", "VPA"):
        text = (
            f"{line} taken for {meaning.pin} as it stands, though the name is marked active low "
            "and the pin is active high."
        )
        return [Note("guess", text, f"--line {line}=!{meaning.pin}")]
    return []


def _summary(taps: list[Tap]) -> list[Note]:
    """What was taken for what, where the name is not the pin's own."""
    groups = []
    for pins, label in ((ADDRESS_PINS, "address"), (DATA_PINS, "data")):
        bus = [tap for tap in taps if tap.pin in pins]
        bus.sort(key=lambda tap: pins.index(tap.pin))
        if any(tap.line != tap.pin for tap in bus):
            lines, names = [tap.line for tap in bus], [tap.pin for tap in bus]
            groups.append(f"{_listed(lines)} as {_listed(names)} ({label})")
    for tap in taps:
        if tap.pin not in ADDRESS_PINS + DATA_PINS and (tap.line != tap.pin or tap.why == "given"):
            groups.append(f"{tap.line} as {tap.pin}")
    if not groups:
        return []
    example = next(tap for tap in taps if tap.line != tap.pin or tap.why == "given")
    return [
        Note("fact", f"Lines taken: {', '.join(groups)}.", f"--line {example.line}={example.pin}")
    ]


def _board_chip(name: str, chips: list[Chip]) -> Chip | None:
    """The chip whose select a name means: its select's names first, then its reference or role."""
    core = core_of(name)[0]
    for chip in chips:
        known = [word for select in chip.selects for word in (select.name, *select.aliases)]
        if any(core_of(word)[0] == core for word in known):
            return chip
    words = chip_words(name)
    if words is None:
        return None
    plain = words.replace("_", "")
    for chip in chips:
        known = [word for select in chip.selects for word in (select.name, *select.aliases)]
        if plain == core_of(chip.ref)[0] or words in (chip_words(word) for word in known):
            return chip
    of_role = [chip for chip in chips if chip.role == plain]
    return of_role[0] if len(of_role) == 1 else None


def _active_level(chip: Chip, line: str) -> int:
    """Active level of the chip's select that is named like the line, else of its first one."""
    core = core_of(line)[0]
    for select in chip.selects:
        if any(core_of(word)[0] == core for word in (select.name, *select.aliases)):
            return select.active
    return chip.selects[0].active


def _agree(capture: Capture, one: int, other: int) -> bool:
    """Whether two lines have the same level in every row where both are known."""
    differ = (capture.state >> np.uint64(one)) ^ (capture.state >> np.uint64(other))
    differ &= np.uint64(1)
    if capture.known is not None:
        differ &= (capture.known >> np.uint64(one)) & (capture.known >> np.uint64(other))
    return not differ.any()


def _listed(names: list[str] | tuple[str, ...]) -> str:
    """Names for people: runs of neighbours as 'A0 to A15'."""
    parts: list[list[str]] = []
    for name in names:
        if parts and _follows(parts[-1][-1], name):
            parts[-1].append(name)
        else:
            parts.append([name])
    shown = [f"{p[0]} to {p[-1]}" if len(p) > 2 else " and ".join(p) for p in parts]
    return ", ".join(shown)


def _follows(one: str, other: str) -> bool:
    """Whether two names are alike but for a number that goes up by one."""
    first, second = (re.fullmatch(r"(\D*)(\d+)(\D*)", name) for name in (one, other))
    return (
        first is not None
        and second is not None
        and first.group(1, 3) == second.group(1, 3)
        and int(first[2]) + 1 == int(second[2])
    )
