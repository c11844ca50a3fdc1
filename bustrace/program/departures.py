"""A CPU that breaks its sheet always in one way: an opcode taken for another, or a dead flag."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.board import READ
from bustrace.cpu import CpuState, SequenceKind, Variant
from bustrace.cycles.model import Cycles
from bustrace.program.follow import Followed, follow
from bustrace.program.model import Departure
from bustrace.program.slipped import resting_data
from bustrace.program.thread import BRANCH_FLAGS, Run, Thread, branches_on
from bustrace.program.trouble import first_trouble, strictness
from bustrace.program.unseen import unseen_interrupts

if TYPE_CHECKING:
    from bustrace.board import Board

Flags = npt.NDArray[np.bool_]

Lines = npt.NDArray[np.uint32]
"""Line masks, one a cycle."""

_ROWS_BACK = 8
"""Instructions before the first disagreement among which its cause is looked for."""

_FAR_BACK = 2_000
"""And those among which an opcode is that did something else without anybody seeing it so far."""

_LOOK_AHEAD = 2_048
"""Cycles after it that a way of breaking the sheet must explain, where there are so many."""

_RW, _DATA = 1 << 24, 0xFF0000
"""Lines, as bits of a line mask."""

_LETS_IN = (0x58, 0x78, 0x28, 0x40)
"""CLI, SEI, PLP and RTI: with IRQ captured, a clip that errs there looks as if one failed."""

_P = 4
"""Column of the status register."""

_PHP = 0x08
_CARRY, _TAKE_IT = 0x01, ("ADC", "SBC", "ROL", "ROR")
"""The flag that these instructions put into what they make; a wrong one makes it wrong."""

_INTERRUPTS = (SequenceKind.IRQ, SequenceKind.NMI, SequenceKind.BRK, SequenceKind.BRK_NMI)

_EACH_VAGUE = 1
"""What a cycle counts in which a dead flag leaves a line open: bits of a status that it pushes are
as good as not followed. What an opcode leaves open that is taken for another counts as off."""

_EACH_LOST, _EACH_OFF = 32, 16
"""What a loss of the thread counts beside its cycles; what a byte that was read otherwise, or a
cycle with lines that the CPU did not mean, counts: in cycles that are not followed."""

_LEAST_GAIN = 32
"""A sound CPU is given up only where that leaves so much less; less will do where nothing else is
left."""

_MUCH = 8
"""Of what it explains, what such a CPU may leave that a sound one does not: one in so many."""

_MOST_MISREAD = 4
"""And of the bytes that a sound CPU must have read otherwise it may leave one in so many."""

_SEVERAL = 3
"""Lines off in one cycle that are no stray sample, and cycles in which the same line is."""

_MOST_TRIED = 6
"""Ways that are followed to the end."""


def with_departure(
    cycles: Cycles,
    board: Board | None,
    part: Variant,
    variant: str,
    thread: Thread,
    followed: Followed,
) -> tuple[Thread, Followed, Departure | None]:
    """Follow again with a CPU that breaks its sheet in one way, where that goes further, or as far
    with fewer bytes that it must have seen otherwise than the clips.

    Parameters
    ----------
    cycles : Cycles
    board : Board or None
        Its ROM images tell an opcode taken for another from one that the clip saw wrong.
    part : Variant
    variant : str
        The die's.
    thread, followed
        What a sound CPU gives.

    Returns
    -------
    thread, followed
        The better ones.
    departure : Departure or None
        What had to be assumed.
    """
    off = _off(thread.off(), followed.aside_mask)
    at = _first_trouble(off, followed)
    if at is None or resting_data(cycles):
        return thread, followed, None
    if _write_line_rests(off, thread, followed):
        return thread, followed, None
    fought = _fought(off, thread, followed)
    entries = _entries(thread, at)
    if not entries:
        return thread, followed, None
    # What a CPU does that has run wild may be lost for another reason: it is judged without, too.
    ends = sorted({len(thread), min((lost[0] for lost in followed.lost), default=len(thread))})
    otherwise = _acted_otherwise(off, followed)
    rom = _always_rom(board)
    sound = {
        each: [_left(thread, followed, followed.aside_mask, rom, end, each) for end in ends]
        for each in (_EACH_VAGUE, _EACH_OFF)
    }
    best, found, result = 0, None, (thread, followed)
    trial = Thread(cycles, part.address_mask)
    trial.patch(unseen_interrupts(trial))
    for departure in _promising(trial, entries, followed.aside_mask, at, part):
        trial = Thread(cycles, part.address_mask)
        trial.departure = departure
        # What is written lower follows from a mask, too, with the right register behind it.
        again = follow(trial, variant, learns=not fought)
        each = _EACH_VAGUE if departure.flag else _EACH_OFF
        left = [_left(trial, again, followed.aside_mask, rom, end, each) for end in ends]
        gain, new = max(mine.beside(theirs) for mine, theirs in zip(left, sound[each], strict=True))
        shown = _shown(trial, departure, part)
        if gain <= best or not shown or _all_there_is(trial, shown):
            continue
        if fought and (new or _off(trial.off(), followed.aside_mask)[off != 0].any()):
            continue  # a chip that drives against it pulls at whatever it writes
        by_clip = _clip_erred(trial, departure, shown, board)
        # What shows once alone must mend a loss, or leave nothing that a sound CPU does not where
        # the clip saw the right byte: one misread byte is a plainer explanation.
        plain = len(shown) > 1 or 2 * left[-1].lost < sound[each][-1].lost
        clean = not (by_clip or new) and otherwise and _seen_right(trial, shown, board)
        if 2 * by_clip <= len(shown) and ((plain and gain >= _LEAST_GAIN) or clean):
            best, found, result = gain, replace(departure, cycles=shown), (trial, again)
    return *result, found


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What a following leaves unexplained.

    Attributes
    ----------
    weight : int64, shape (n_cycles,)
        What each cycle counts, in cycles that are not followed.
    misread : int
        Bytes that the CPU must have read otherwise than the clips.
    lost : int
        Cycles that could not be followed.
    """

    weight: npt.NDArray[np.int64]
    misread: int
    lost: int

    def beside(self, other: Left) -> tuple[int, int]:
        """How much less this leaves than another, and what it leaves that the other does not.

        What both leave is noise, or a register that nobody knows. No gain where what is left to it
        alone is much beside what it explains, where it leaves too many misread bytes, or is lost
        in its turn where it goes on.
        """
        both = int(np.minimum(self.weight, other.weight).sum())
        mine, others = int(self.weight.sum()) - both, int(other.weight.sum()) - both
        lost_too = self.lost != other.lost and 2 * self.lost > other.lost
        if _MUCH * mine > others or lost_too or _MOST_MISREAD * self.misread > other.misread:
            return 0, mine
        return others - mine, mine


def _left(
    thread: Thread, followed: Followed, aside: int, rom: Flags, end: int, each_vague: int
) -> Left:
    """What is left in the cycles before `end`; `rom` are addresses at which a ROM alone answers."""
    off = _off(thread.off(), aside) != 0
    # A CPU of which less is known is contradicted less.
    vague = thread.captured & ~thread.certain & thread.compared_lines() != 0
    weight = (~thread.done).astype(np.int64) + each_vague * vague + _EACH_OFF * off
    weight += _EACH_OFF * _gives_another(thread, rom)
    misread = [patch.cycles[0] for patch in followed.misread if patch.cycles[0] < end]
    np.add.at(weight, misread, _EACH_OFF)
    lost = [(first, min(upto, end)) for first, upto, _ in followed.lost if first < end]
    np.add.at(weight, [first for first, _ in lost], _EACH_LOST)
    return Left(weight[:end], len(misread), sum(upto - first for first, upto in lost))


def _always_rom(board: Board | None) -> Flags:
    """Addresses at which a ROM alone answers reads, in every bank: bool, shape (65536,)."""
    if board is None:
        return np.zeros(0x10000, dtype=np.bool_)
    roms = sum(1 << i for i, ref in enumerate(board.map.chips) if board.chip(ref).role == "rom")
    told = [table.responds[READ] for table in board.maps]
    one: Flags = np.all([(who != 0) & (who & ~np.uint32(roms) == 0) for who in told], axis=0)
    if len(told) > 1:  # of a ROM with banks another one may answer
        one &= np.all([table.inner[:, :0x10000] == board.map.inner for table in board.maps], (0, 1))
    return one


def _gives_another(thread: Thread, rom: Flags) -> npt.NDArray[np.bool_]:
    """Reads in which a ROM did not give what it gave there at first: it gives always the same, so
    the CPU was elsewhere.
    """
    address, byte = (thread.meant & np.uint32(0xFFFF)).astype(np.int64), _bytes_seen(thread)
    whole = thread.certain & 0xFFFF == 0xFFFF
    reads = np.flatnonzero(thread.done & whole & (thread.meant >> 24 & 1 == 1) & rom[address])
    _, first, back = np.unique(address[reads], return_index=True, return_inverse=True)
    another = np.zeros(len(thread), dtype=np.bool_)
    another[reads] = byte[reads] != byte[reads[first]][back]
    return another


def _acted_otherwise(off: Lines, followed: Followed) -> bool:
    """Whether a sound CPU shows it in a byte read otherwise, or in so many lines of one cycle that
    no stray sample is behind it.
    """
    return bool(followed.misread) or bool((np.bitwise_count(off) >= _SEVERAL).any())


def _write_line_rests(off: Lines, thread: Thread, followed: Followed) -> bool:
    """Whether it is R/W that fails: it never falls where the CPU writes, and the addresses are as a
    sound CPU has them.
    """
    rests = followed.aside_mask & _RW or (off.any() and ~int(thread.moving) & _RW)
    return bool(rests) and not (off & ~np.uint32(_RW | _DATA)).any()


def _fought(off: Lines, thread: Thread, followed: Followed) -> bool:
    """Whether nothing but bytes written is off, each time lower, as if a chip drove against the
    CPU.
    """
    several = bool((np.bitwise_count(off) > 1).any())  # one line is a stray sample
    lower = not (off & (thread.seen | ~np.uint32(_DATA))).any()
    return several and lower and len(followed.misread) < _SEVERAL


def _line_moves(thread: Thread, departure: Departure) -> bool:
    """Whether the CPU writes the other level than a dead flag's on the flag's data line."""
    line = np.uint32(departure.flag << 16)
    writes = thread.done & (thread.meant & np.uint32(_RW) == 0) & (thread.captured & line != 0)
    other = 0 if departure.level else line
    return bool((thread.seen[writes] & line == other).any())


def _all_there_is(thread: Thread, shown: tuple[int, ...]) -> bool:
    """Whether hardly any other instruction was executed: a program is not like that, and what the
    CPU did with one byte over and over tells nothing of its sheet.
    """
    return 2 * len(shown) > len(thread.rows)


def _clip_erred(
    thread: Thread, departure: Departure, shown: tuple[int, ...], board: Board | None
) -> int:
    """Times that a ROM holds the opcode that was obeyed: there it is the clip that errs."""
    obeyed = departure.obeyed(_bytes_seen(thread)[list(shown)])
    return int((_held_by_roms(thread, shown, board) == obeyed).sum())


def _seen_right(thread: Thread, shown: tuple[int, ...], board: Board | None) -> bool:
    """Whether a ROM holds the opcodes that the clip saw, or the clip saw each more than once."""
    at, byte = list(shown), _bytes_seen(thread)
    held = (_held_by_roms(thread, shown, board) == byte[at]).any(axis=0)
    reads = thread.done & (thread.meant >> 24 & 1 == 1)
    place = (thread.meant & np.uint32(0xFFFF)) << 8 | byte
    bytes_read, times = np.unique(place[reads], return_counts=True)
    again = np.isin(place[at], bytes_read[times > 1])
    return bool((held | again).all())


def _bytes_seen(thread: Thread) -> npt.NDArray[np.uint8]:
    """What the clip saw on the data lines, in each cycle."""
    return (thread.seen >> 16).astype(np.uint8)


def _held_by_roms(
    thread: Thread, shown: tuple[int, ...], board: Board | None
) -> npt.NDArray[np.int16]:
    """What each ROM holds where the CPU fetched, -1 for none: int16, shape (ROMs, fetches)."""
    address = (thread.meant[list(shown)] & 0xFFFF).astype(np.int64)
    if board is None:
        return np.empty((0, len(shown)), np.int16)
    chips = [board.chip(ref) for ref in board.map.chips]
    roms = [chip.ref for chip in chips if chip.role == "rom" and chip.images]
    held = [board.image_bytes(ref)[address] for ref in roms]
    return np.array(held, np.int16).reshape(len(roms), len(shown))


def _off(off: Lines, aside: int) -> Lines:
    """Lines that are not as the CPU meant them, but for those set aside."""
    left: Lines = off & np.uint32(~aside & 0x3FFFFFF)
    return left


def _entries(thread: Thread, at: int) -> list[tuple[int, CpuState]]:
    """Cycles to execute from, with the CPU's state: shortly before a cycle, and long before it."""
    found: list[tuple[int, CpuState]] = []
    for back in (_ROWS_BACK, _FAR_BACK):
        rows = thread.rows.before(at, back)
        if not rows or (found and found[0][0] == rows[0]):
            continue  # little was executed before: the two are one
        state = thread.state_at(rows[0])
        if state is not None:
            found.append((rows[0], state))
    return found


def _first_trouble(off: Lines, followed: Followed) -> int | None:
    """First cycle that a sound CPU does not explain, or only with a byte read otherwise."""
    cycles = [patch.cycles[0] for patch in followed.misread]
    cycles += [lost[0] for lost in followed.lost]
    cycles += _no_stray_samples(off)[:1].tolist()
    return min(cycles, default=None)


def _no_stray_samples(off: Lines) -> npt.NDArray[np.intp]:
    """Cycles with more than one line off, or with a line that is off again and again; all where
    there are none.
    """
    cycles = np.flatnonzero(off)
    _, which, times = np.unique(off[cycles], return_inverse=True, return_counts=True)
    again = (np.bitwise_count(off[cycles]) > 1) | (times[which] >= _SEVERAL)
    return cycles[again] if again.any() else cycles


def _promising(
    trial: Thread, entries: list[tuple[int, CpuState]], aside: int, at: int, part: Variant
) -> list[Departure]:
    """The few that go furthest beyond the first trouble, or as far with fewer lines off.

    Each is tried from the entry just before it. What never showed until then may have begun long
    before, as a counter that does not count or a sum without its carries: an opcode and the carry
    are also tried from the early entry.
    """
    asked = strictness(trial)
    end = min(len(trial), at + _LOOK_AHEAD)
    watched = "irq" not in trial.unwatched

    def reach(run: Run) -> tuple[int, int]:
        off = _off(run.off, aside)
        bad = first_trouble(off, asked)
        upto = len(off) if bad is None else bad
        return run.start + upto, -int(np.count_nonzero(off[:upto]))

    found: dict[Departure, tuple[int, int]] = {}
    for start, state in entries:
        early = start != entries[0][0]
        trial.departure = None
        sound = trial.run(start, state.copy(), end)
        far, clean = reach(sound)
        for departure in _ways(sound, at, part):
            if (early and departure.flag & ~_CARRY) or (watched and departure.opcode in _LETS_IN):
                continue
            trial.departure = departure
            went = reach(trial.run(start, state.copy(), end))
            if went[0] > far + asked.window or (went[0] >= far and went[1] > clean):
                found[departure] = max(went, found.get(departure, went))
    return sorted(found, key=lambda each: found[each], reverse=True)[:_MOST_TRIED]


def _ways(run: Run, at: int, part: Variant) -> Iterator[Departure]:
    """Each flag dead; the opcodes of a run up to a cycle taken for those that differ in a bit."""
    for flag in BRANCH_FLAGS:
        for level in (0, flag):
            yield Departure(flag=flag, level=level)
    known = {op.opcode for op in part.opcodes()}
    for opcode in dict.fromkeys(run.row_opcode[run.row_cycle <= at][::-1].tolist()):
        for bit in range(8):
            if opcode ^ 1 << bit in known:
                yield Departure(opcode=opcode, taken_for=opcode ^ 1 << bit)


def _wrong(
    departure: Departure,
    part: Variant,
    pushes: bool,
    opcode: npt.NDArray[np.uint8],
    kind: npt.NDArray[np.uint8],
    registers: npt.NDArray[np.uint8],
    known: npt.NDArray[np.uint8],
) -> npt.NDArray[np.bool_]:
    """Rows in which a sound CPU would have done something else, `pushes` of the flags included."""
    instruction = kind == SequenceKind.INSTRUCTION
    if not departure.flag:
        obeyed: Flags = (opcode == departure.opcode) & instruction
        return obeyed
    hit = np.isin(opcode, _acting_on(departure.flag, part)) & instruction
    if pushes:
        hit |= _pushes_flags(opcode, kind)
    amiss = known[:, _P] & departure.flag != 0
    amiss &= registers[:, _P] & departure.flag != departure.level
    # Put to its level it stays amiss, until an instruction changes it in a sound CPU.
    changing = [op.opcode for op in part.opcodes() if op.flags_changed & departure.flag]
    anew = np.zeros(len(hit), np.bool_)
    anew[1:] = (np.isin(opcode, changing) & instruction)[:-1]
    row = np.arange(len(hit))
    last = [np.maximum.accumulate(np.where(which, row, -1)) for which in (amiss, anew)]
    wrong: Flags = hit & (last[0] >= 0) & (last[0] >= last[1])
    return wrong


def _pushes_flags(opcode: npt.NDArray[np.uint8], kind: npt.NDArray[np.uint8]) -> Flags:
    """Rows in which the CPU writes its flags to the stack."""
    pushed: Flags = (kind == SequenceKind.INSTRUCTION) & (opcode == _PHP)
    pushed |= np.isin(kind, _INTERRUPTS)
    return pushed


def _acting_on(flag: int, part: Variant) -> list[int]:
    """Opcodes that do something else by a flag."""
    acting = np.flatnonzero(branches_on(np.arange(256, dtype=np.uint8), flag)).tolist()
    if flag == _CARRY:
        acting += [op.opcode for op in part.opcodes() if op.mnemonic in _TAKE_IT]
    return acting


def _shown(thread: Thread, departure: Departure, part: Variant) -> tuple[int, ...]:
    """Cycles in which it showed."""
    rows = thread.rows
    if not rows.cycle:
        return ()
    # A data line that rests in writes shows a dead flag where there is none.
    pushes = departure.flag != 0 and _line_moves(thread, departure)
    columns = (rows.opcode, rows.kind, rows.registers, rows.known)
    hit = _wrong(departure, part, pushes, *(np.concatenate(column) for column in columns))
    return tuple(np.concatenate(rows.cycle)[hit].tolist())
