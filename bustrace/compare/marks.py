"""Every cycle of a boot that its past does not allow, by kind: the candidates for a divergence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.compare.memory import Expected
from bustrace.compare.model import Blame
from bustrace.compare.sides import DATA_LINES, RW_LINE, SYNC_LINE, Side, line_names
from bustrace.compare.strays import came_alone
from bustrace.cycles import IN_RESET, OWNER_CPU, UNSETTLED
from bustrace.hookup.model import SELECT

_RESTING = 200
"""Cycles in which a control line must rest, and move in the good boot, before that counts."""

_CLIP_PROOF = 8
"""Reads that must have been answered at the address the CPU meant, for a line at rest to be only
its clip."""

_HELD = 64
"""Cycles that the CPU is held at the end of a capture before that counts."""

_RESETS = 2
"""Further resets that count: a single one may be a person's finger."""

_FLOATING_READS = 4
"""Reads of an I/O chip that must all give what is left on the bus."""

_LIVELY_READS, _LIVELY_VALUES = 16, 4
"""Reads of one register in both boots, and different bytes of it in the good one, for it to be
called lively."""

_SELDOM = 0.125
"""Share of those that may be what was left on the bus, by chance."""

CONTROL_INPUTS = ("IRQ", "NMI", "RDY", "SO", "BE")


@dataclass(frozen=True, slots=True)
class Mark:
    """One cycle that the past does not allow.

    Attributes
    ----------
    cycle : int
    kind : str
        As in `Divergence`.
    blame : Blame
    lines, chips : tuple of str
    expected, seen, text : str
    """

    cycle: int
    kind: Literal["read", "select", "output", "level", "clock", "reset", "program"]
    blame: Blame
    lines: tuple[str, ...]
    chips: tuple[str, ...]
    expected: str
    seen: str
    text: str


@dataclass(frozen=True, slots=True)
class Excused:
    """What the good boot itself does not keep to, so that it is held against nobody.

    Attributes
    ----------
    chips : frozenset of str
        Memories whose answers are not judged.
    lines : int
        Lines of the CPU, as a mask over `bustrace.program.LINES`.
    selects : frozenset of str
        Chips whose select line is not judged.
    """

    chips: frozenset[str] = frozenset()
    lines: int = 0
    selects: frozenset[str] = frozenset()


def excused_by(good: Side, expected: Expected) -> Excused:
    """What a good boot excuses."""
    chips = set()
    wrong = expected.wrong != 0
    for bit, ref in enumerate(good.chips):
        if (wrong & (good.responds >> np.uint32(bit) & 1 == 1)).any():
            chips.add(ref)
    lines = int(np.bitwise_or.reduce(good.off, initial=np.uint32(0)))
    selects = {ref for ref, wrong in wrong_selects(good) if wrong.any()}
    return Excused(frozenset(chips), lines, frozenset(selects))


def marks_of(side: Side, expected: Expected, excused: Excused, good: Side | None) -> list[Mark]:
    """The first mark of each kind, in the order of their cycles."""
    found = [
        _first_read(side, expected),
        _first_output(side, expected, excused),
        *_first_selects(side, excused),
        *_resting_inputs(side, good),
        *_floating_chips(side, good),
        _held(side),
        _clock_end(side, good),
        _resets(side, good),
        _never_released(side),
        _stuck_program(side, good),
    ]
    # An address that is off is asked before a select, and a select before the byte it brings.
    rank = ("clock", "reset", "level", "output", "select", "read", "program")
    return sorted(
        (mark for mark in found if mark is not None),
        key=lambda mark: (mark.cycle, rank.index(mark.kind)),
    )


def chips_of(side: Side, cycle: int) -> tuple[str, ...]:
    """Chips that should answer a cycle."""
    return tuple(ref for bit, ref in enumerate(side.chips) if side.responds[cycle] >> bit & 1)


def _first_read(side: Side, expected: Expected) -> Mark | None:
    rows = np.flatnonzero(expected.wrong)
    if not len(rows):
        return None
    cycle = int(rows[0])
    lines = line_names(int(expected.wrong[cycle]) << DATA_LINES)
    chips = chips_of(side, cycle)
    seen = f"${int(side.data[cycle]):02X}"
    wanted = _byte(int(expected.byte[cycle]), int(expected.known[cycle]))
    clip = int(side.reading.cycles.data[cycle])
    agrees = (clip ^ int(expected.byte[cycle])) & int(expected.known[cycle]) == 0
    if side.believed[cycle] and agrees:
        text = f"the clips see {wanted}, as it should be, but the CPU goes on as though it read"
        return Mark(cycle, "read", "cpu", lines, chips, wanted, seen, f"{text} {seen}")
    source = int(expected.source[cycle])
    why = (
        "which the ROM holds there"
        if source < 0
        else f"which was {'written' if side.read[source] == 0 else 'read'} there in cycle "
        f"{source:,}"
    )
    who = " and ".join(chips)
    text = f"{who} should give {wanted}, {why}, and the CPU reads {seen}"
    return Mark(cycle, "read", "answer", lines, chips, wanted, seen, text)


def _floating_chips(side: Side, good: Side | None) -> list[Mark]:
    """I/O chips in whose place every read gives what the cycle before left on the bus.

    One register may well hold that byte; not several, nor one of which different bytes are left,
    nor one that in the good boot takes many values and hardly ever that of the bus.
    A bus that pulls up is not told from inputs that are high.
    """
    marks = []
    for bit, ref in enumerate(side.chips):
        if side.reading.board.chip(ref).role != "io":
            continue
        rows, left = _reads_and_left(side, bit)
        if len(rows) < _FLOATING_READS or (side.data[rows] != side.data[rows - 1]).any():
            continue
        driven = rows[:0]
        told_apart = len(np.unique(left)) > 1
        if good is not None:
            mine, mine_left = _reads_and_left(good, bit)
            driven = mine[good.data[mine] != mine_left]
            if len(driven) < _FLOATING_READS // 2:
                continue
            shared = set(side.inner[bit, rows].tolist()) & set(good.inner[bit, driven].tolist())
            told_apart |= len(shared) > 1 or _lively_before(side, good, bit)
        if not told_apart:
            continue
        cycle, seen = int(rows[0]), f"${int(left[0]):02X}"
        text = (
            f"{ref} is read here, and this and each of the {len(rows)} reads of it gives what the "
            "cycle before left on the bus: nobody drives it"
        )
        mark = Mark(cycle, "read", "answer", (), (ref,), f"a byte of {ref}", seen, text)
        marks.append(mark)
    return marks


def _lively_before(side: Side, good: Side, bit: int) -> bool:
    """Whether the one register read here gave many values in the good boot, hardly ever those left.

    0 and $FF, as ports at rest read, tell nothing.
    """
    rows, left = _reads_and_left(side, bit)
    registers = np.unique(side.inner[bit, rows])
    if len(registers) != 1 or len(rows) < _LIVELY_READS or np.isin(left, (0x00, 0xFF)).any():
        return False
    mine, mine_left = _reads_and_left(good, bit)
    same = good.inner[bit, mine] == registers[0]
    values = good.data[mine[same]]
    if len(values) < _LIVELY_READS or len(np.unique(values)) < _LIVELY_VALUES:
        return False
    return bool((values == mine_left[same]).mean() < _SELDOM)


def _reads_and_left(side: Side, bit: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """Reads of a chip that do not follow one of its own cycles, and the byte left before each."""
    mine = side.responds >> np.uint32(bit) & 1 == 1
    own = mine & side.judged & (side.read == 1) & (side.data_known == 0xFF)
    own[1:] &= ~mine[:-1] & (side.data_known[:-1] == 0xFF)
    own[:1] = False
    rows = np.flatnonzero(own)
    return rows, side.data[rows - 1]


def _byte(value: int, known: int) -> str:
    if known == 0xFF:
        return f"${value:02X}"
    return "%" + "".join(
        str(value >> bit & 1) if known >> bit & 1 else "x" for bit in range(7, -1, -1)
    )


def _first_output(side: Side, expected: Expected, excused: Excused) -> Mark | None:
    off = side.off & np.uint32(~(excused.lines | only_clips(side, expected)) & 0xFFFFFFFF)
    rows = np.flatnonzero(off)
    if not len(rows):
        return None
    cycle = int(rows[0])
    mask = int(off[cycle])
    lines = line_names(mask)
    intent, cycles = side.reading.program.intent, side.reading.cycles
    if mask & 0xFFFF:
        wanted = f"${int(intent.address[cycle]):04X}"
        seen = f"${int(cycles.address[cycle]) & 0xFFFF:04X}"
    elif mask >> DATA_LINES & 0xFF:
        wanted, seen = f"${int(intent.data[cycle]):02X}", f"${int(cycles.data[cycle]):02X}"
    elif mask >> RW_LINE & 1:
        wanted, seen = ("read", "write") if intent.rw[cycle] else ("write", "read")
    else:
        wanted, seen = ("high", "low") if intent.sync[cycle] else ("low", "high")
    what = "the data" if mask == mask & 0xFF << DATA_LINES else " ".join(lines)
    text = f"after all that it read, the CPU puts out {wanted}, and the clips see {seen} ({what})"
    return Mark(cycle, "output", "cpu", lines, (), wanted, seen, text)


def only_clips(side: Side, expected: Expected) -> int:
    """Lines that rest at the clip alone, as a mask: the program ran as though they moved.

    Memory answered at the address that the CPU meant, time and again, where the clip shows
    another one.
    """
    found = 0
    cycles = side.reading.cycles
    levels = cycles.address & np.uint32(0xFFFF)
    rests = np.bitwise_and.reduce(levels[side.judged], initial=np.uint32(0xFFFF)) | (
        ~np.bitwise_or.reduce(levels[side.judged], initial=np.uint32(0)) & np.uint32(0xFFFF)
    )
    reads = (side.read == 1) & (expected.known != 0) & (side.data_known != 0)
    for bit in (*range(16), RW_LINE):
        off = side.off >> np.uint32(bit) & 1 == 1
        if not off.any():
            continue
        if bit < 16 and not rests >> np.uint32(bit) & 1:
            continue
        if bit == RW_LINE and len(set(cycles.pin("RW")[side.judged].tolist()) - {2}) > 1:
            continue
        asked = off & reads if bit < 16 else reads
        if np.count_nonzero(asked) >= _CLIP_PROOF and not expected.wrong[asked].any():
            found |= 1 << bit
    sync = side.off >> np.uint32(SYNC_LINE) & 1
    if sync.any():
        found |= 1 << SYNC_LINE  # nothing on the board hangs on it: the clip, or the CPU's pin
    return found


def wrong_selects(side: Side) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    """Cycles in which a select line is not what the board's table says, a captured chip each."""
    cycles = side.reading.cycles
    found = []
    usable = side.judged & (cycles.flags & UNSETTLED == 0) & (side.address >= 0)
    for name in cycles.select_names:
        if name not in side.chips:
            continue
        bit = np.uint32(side.chips.index(name))
        level = cycles.select(name)
        sure = usable & (level != 2) & (side.asserts_known >> bit & 1 == 1)
        wrong = sure & ((side.asserts >> bit & 1) != level)
        tap = side.reading.hookup.tap(SELECT + name)
        extra = np.flatnonzero(wrong & (level == 1))
        if tap is not None:
            wrong[extra[came_alone(side, tap, extra)]] = False
        found.append((name, wrong))
    return found


def _first_selects(side: Side, excused: Excused) -> list[Mark]:
    marks = []
    for ref, wrong in wrong_selects(side):
        rows = np.flatnonzero(wrong)
        if ref in excused.selects or not len(rows):
            continue
        cycle = int(rows[0])
        level = int(side.reading.cycles.select(ref)[cycle])
        wanted, seen = ("not selected", "selected") if level else ("selected", "not selected")
        text = f"at this address {ref} should be {wanted}, and its select line says {seen}"
        marks.append(Mark(cycle, "select", "select", (f"CS_{ref}",), (ref,), wanted, seen, text))
    return sorted(marks, key=lambda mark: mark.cycle)[:1]


def _resting_inputs(side: Side, good: Side | None) -> list[Mark]:
    """Control inputs that are active all the time and, in the good boot, are not."""
    marks = []
    cycles = side.reading.cycles
    after = np.arange(len(side)) >= side.start
    if not side.from_reset or np.count_nonzero(after) < _RESTING:
        return []
    for pin in CONTROL_INPUTS:
        level = cycles.pin(pin)[after]
        if (level != 0).any():
            continue
        if good is not None:
            other = good.reading.cycles.pin(pin)[good.start :]
            if (other == 2).any() or np.count_nonzero(other == 1) * 2 < len(other):
                continue
        text = f"{pin} is low from here to the end, and should be high now and then"
        marks.append(Mark(_released(side), "level", "line", (pin,), (), "high", "low", text))
    return marks


def _released(side: Side) -> int:
    """First cycle after the reset from which the path starts."""
    low = np.flatnonzero(side.reading.cycles.flags[: side.start] & IN_RESET != 0)
    return int(low[-1]) + 1 if len(low) else side.start


def _held(side: Side) -> Mark | None:
    """The CPU is held by RDY until the end of the capture."""
    cycles = side.reading.cycles
    ready = np.flatnonzero(cycles.pin("RDY") != 0)
    begin = int(ready[-1]) + 1 if len(ready) else 0
    begin = max(begin, _released(side))
    if len(side) - begin < _HELD:
        return None
    text = "RDY holds the CPU from here to the end"
    return Mark(begin, "level", "line", ("RDY",), (), "high", "low", text)


def _clock_end(side: Side, good: Side | None) -> Mark | None:
    stops = side.reading.cycles.clock.stops_ps
    if stops is None or (good is not None and good.reading.cycles.clock.stops_ps is not None):
        return None
    level = side.reading.cycles.clock.rests_at
    text = "the clock stops here, in the midst of the capture"
    seen = "at rest" if level is None else f"at rest, {'high' if level else 'low'}"
    return Mark(len(side), "clock", "clock", ("PHI2",), (), "running", seen, text)


def _resets(side: Side, good: Side | None) -> Mark | None:
    """Resets after the program started."""
    again = _later_resets(side)
    before = len(_later_resets(good)) if good is not None else 0
    if len(again) < max(_RESETS, before + _RESETS):
        return None
    text = f"RES goes low again while the program runs, {len(again)} times in this capture"
    return Mark(int(again[0]), "reset", "reset", ("RES",), (), "high", "low", text)


def _later_resets(side: Side) -> npt.NDArray[np.int64]:
    low = side.reading.cycles.flags & IN_RESET != 0
    begins = np.flatnonzero(low & ~np.append(False, low[:-1]))
    return begins[begins > side.start]


def _never_released(side: Side) -> Mark | None:
    low = side.reading.cycles.flags & IN_RESET != 0
    if len(low) < _HELD or not low.all():
        return None
    text = "RES is low in the whole capture: the CPU is held in reset"
    return Mark(0, "reset", "reset", ("RES",), (), "high in the end", "low", text)


def _stuck_program(side: Side, good: Side | None) -> Mark | None:
    """The program cannot be followed to the end, or the CPU has jammed."""
    program = side.reading.program
    if good is not None and (
        good.reading.program.lost_at is not None or good.reading.program.jam_at is not None
    ):
        return None
    where = [at for at in (program.jam_at, program.lost_at) if at is not None]
    if not where or not len(side):
        return None
    cycle = max(min(where), 0)
    if cycle < side.start or side.reading.cycles.owner[cycle] != OWNER_CPU:
        return None
    if program.jam_at == cycle:
        text = "the CPU fetches an opcode that stops it for good"
    else:
        text = "from here on the bus shows no program that can be followed"
    return Mark(cycle, "program", "unknown", (), (), "a program that runs on", "none", text)
