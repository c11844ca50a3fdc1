"""Rules about what ROM, RAM and I/O answered."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cycles import stretches
from bustrace.findings._kernels import IO, MAY_WRITE, RAM, ROM
from bustrace.findings.answers import Answers
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.marginal_rules import taken_otherwise
from bustrace.findings.model import Finding
from bustrace.units import count_words, numbered_runs

NOISE_RATE = 0.01
"""Share of wrong reads that stray samples cannot reach: at 1e-5 a sample and eight lines they hit
one read in 12,000."""

MANY = 8
"""Wrong reads at one or two places that are no accident any more."""

MOSTLY = 0.75
"""Of the bytes that are run where no chip is, the share that must be as on a bus that nobody
drives; of other bytes one in ten is."""

PULLED_DOWN = 3
"""Lines that must be low at once where writes to one address tell: a stray sample is of one."""

FOUGHT = 0.3
"""Share of a chip's writes that must come out lower: what it drives may well be high there."""

FEWEST_RUN, FEWEST_ASTRAY = 3, 32
"""Bytes run where no chip is: to speak of it, and to say that the program is lost."""

NOP = 0xEA

LONGEST_RUN = 64
"""Addresses one after another at which a program has one and the same byte: rows of NOP are far
shorter."""

FEWEST_IN_RAM = 64
"""Bytes of a program, all of them out of RAM, from which on that is looked at."""

PLACES_HELD, REGISTERS_HELD = 3, 2
"""Places of a chip that must all give just the byte that was on the bus before. A register does by
chance once in 256; RAM and ROM that were written or filled in runs do more often."""

AT_ONCE = 2
"""Reads with several wrong bits that are no accident: a stray sample is of one line."""

MANY_BITS = 3
"""Wrong bits of a read that is none by itself, if it is not a neighbour's byte, taken a cycle too
soon or too late."""

ELSEWHERE = 2
"""Address lines that differ in one cycle from what was meant, and are no clip that is off: a stray
pulse in a pulled return address sends what is read here astray for some cycles."""

Column = npt.NDArray[np.bool_]


def sole_driver(evidence: Evidence, chip: int) -> Column:
    """Reads in which only this chip should drive its data lines: bool, shape (n,)."""
    masks = evidence.reading.board.map.data_masks
    along = sum(1 << other for other in range(len(masks)) if masks[other] & masks[chip])
    alone: Column = evidence.replay.healthy.drivers & np.uint32(along) == np.uint32(1 << chip)
    alone = alone & (evidence.replay.read == 1) & evidence.owned
    return alone


FEW_DOUBLED = 0.02
"""Share of doubled reads up to which the board file may be right: a program does not live there."""


def doubled_by_file(evidence: Evidence) -> str | None:
    """In words, which chips the board file has drive the same reads; None if hardly any read is so.

    Such reads cannot be judged, whatever the board does: the file is wrong, or two chips fight.
    """
    reads = evidence.live & (evidence.replay.read == 1)
    drivers, times = np.unique(evidence.replay.healthy.drivers[reads], return_counts=True)
    masks = evidence.reading.board.map.data_masks
    chips: dict[str, int] = {}
    for word, count in zip(drivers.tolist(), times.tolist(), strict=True):
        bits = [bit for bit in range(len(masks)) if word >> bit & 1]
        lanes = np.array([masks[bit] for bit in bits], dtype=np.uint8)
        if int(lanes.sum(dtype=np.int64)) != int(np.bitwise_or.reduce(lanes, initial=0)):
            names = numbered_runs(evidence.replay.chips[bit] for bit in bits)
            chips[names] = chips.get(names, 0) + count
    total = sum(chips.values())
    if total <= FEW_DOUBLED * int(reads.sum()):
        return None
    who = max(chips, key=lambda names: chips[names])
    return f"by the board file {who} drive the same reads, {total:,} of {int(reads.sum()):,} here"


def wrong_bits(evidence: Evidence) -> npt.NDArray[np.uint8]:
    """Bits of each read that differ from what a healthy board gives: uint8, shape (n,)."""
    return wrong_beside(evidence, evidence.replay.healthy)


def wrong_beside(evidence: Evidence, answers: Answers) -> npt.NDArray[np.uint8]:
    """The same of a board that would give these answers."""
    replay = evidence.replay
    off = (replay.data ^ answers.expected) & answers.expected_known & replay.data_known
    return np.where((replay.read == 1) & evidence.owned, off, np.uint8(0))


def is_systematic(
    evidence: Evidence, reads: Column, wrong: Column, sure: Column | None = None
) -> bool:
    """Whether wrong reads come back, or the CPU acted on them; stray samples do neither. Where a
    stray sample may have come before, only those in `sure` tell by what the CPU did.
    """
    count = int(wrong.sum())
    if not count:
        return False
    address = evidence.replay.address
    where, at = np.unique(address[wrong], return_inverse=True)
    times = np.bincount(at)
    total = np.bincount(
        np.searchsorted(where, address[reads & np.isin(address, where)]), minlength=len(where)
    )
    if ((times >= 2) & (times > 0.5 * total)).any():
        return True
    if (len(where) >= 3 or count >= MANY) and count > NOISE_RATE * int(reads.sum()):
        return True
    acted = wrong & evidence.acted_on
    return bool((acted if sure is None else acted & sure).any())


@dataclass(frozen=True, slots=True, eq=False)
class _Unwritten:
    """Reads of bytes that nobody wrote, of which only what was read before is known: bool, shape
    (n,). A stray sample may have been any of them.

    Attributes
    ----------
    doubtful : what was read before was read once.
    back : the byte is again what it was before the last read.
    stays : it was read twice as one thing, and from this read on as another.
    """

    doubtful: Column
    back: Column
    stays: Column


def _unwritten(evidence: Evidence, chip: int) -> _Unwritten:
    replay, n = evidence.replay, evidence.n
    if replay.has_image(replay.chips[chip]):  # what it should give is known from elsewhere
        return _Unwritten(*np.zeros((3, n), dtype=np.bool_))
    mine = replay.answered_by(chip)
    offset = replay.offsets(chip, mine)
    order = np.argsort(offset, kind="stable")
    used, offset = mine[order], offset[order]
    read, lanes = replay.read[used] == 1, np.uint8(replay.lanes[chip])
    byte = replay.data[used] & replay.data_known[used] & lanes

    def alike(back: int, ahead: int) -> Column:
        """Whether uses so far before and behind each are reads of its byte, and give the same."""
        same = np.zeros(len(used), dtype=np.bool_)
        one, other = slice(None, len(used) - back - ahead), slice(back + ahead, None)
        here = slice(back, len(used) - ahead)
        same[here] = (offset[one] == offset[other]) & (byte[one] == byte[other])
        same[here] &= read[one] & read[other]
        return same

    # Writes to the same byte before each use.
    writes = np.cumsum(~read) - ~read
    begins = np.searchsorted(offset, offset, side="left")
    never = read & (writes == writes[begins]) if len(used) else read
    before = np.zeros(len(used), dtype=np.bool_)
    before[2:] = alike(1, 0)[1:-1] & (offset[2:] == offset[1:-1])
    columns = []
    for told in (~before, alike(2, 0), before & alike(0, 1)):
        column = np.zeros(n, dtype=np.bool_)
        column[used] = never & told
        columns.append(column)
    return _Unwritten(*columns)


def _by_bit(evidence: Evidence, wrong: Column, lanes: int) -> str:
    off = wrong_bits(evidence)[wrong] & np.uint8(lanes)
    data = evidence.replay.data[wrong]
    parts = []
    for bit in range(8):
        hit = (off >> bit) & 1 == 1
        low = int((hit & ((data >> bit) & 1 == 0)).sum())
        high = int(hit.sum()) - low
        if low or high:
            sides = [f"{low:,} low" if low else "", f"{high:,} high" if high else ""]
            parts.append(f"D{bit} {' and '.join(side for side in sides if side)}")
    return ", ".join(parts)


def _by_address_bit(evidence: Evidence, reads: Column, wrong: Column) -> str:
    """Address lines whose level goes with the errors, when one does."""
    address = evidence.replay.address
    found = []
    for bit in range(16):
        level = (address >> bit) & 1 == 1
        for value, side in ((1, level), (0, ~level)):
            others = reads & ~side
            if others.sum() >= 16 and not (wrong & others).any() and (wrong & side).sum() >= 4:
                share = (wrong & side).sum() / (reads & side).sum()
                if share > 0.5:
                    found.append(f"only where A{bit} is {value}")
    return "; ".join(found)


def _example(evidence: Evidence, wrong: Column) -> str:
    at = int(np.flatnonzero(wrong)[0])
    healthy = evidence.replay.healthy
    return (
        f"${int(evidence.replay.address[at]):04X} gave "
        f"${int(evidence.replay.data[at]):02X}, expected "
        f"{byte_words(int(healthy.expected[at]), int(healthy.expected_known[at]))}"
    )


def byte_words(value: int, known: int) -> str:
    """A byte of which some bits may not be known: ``$3F``, ``%0-11----``."""
    if known == 0xFF:
        return f"${value:02X}"
    return "%" + "".join(
        str(value >> bit & 1) if known >> bit & 1 else "-" for bit in range(7, -1, -1)
    )


def memory_content(evidence: Evidence) -> Iterator[Finding]:
    """ROM gives other bytes than its image; RAM does not give back what was written."""
    off, misread = wrong_bits(evidence), taken_otherwise(evidence)
    # Where the program was lost for a while, or the bank is not known, writes were missed.
    replay = evidence.replay
    missed = evidence.live & (replay.address < 0) & (replay.read != 1)
    followed = ~np.logical_or.accumulate(missed | (replay.unseen == MAY_WRITE))
    # Where the clips saw quite another address, the CPU was there and not where it is thought.
    there = followed & (np.bitwise_count(evidence.address_off) < ELSEWHERE)
    for chip, ref in enumerate(evidence.replay.chips):
        kind = evidence.replay.kind[chip]
        if kind not in (ROM, RAM):
            continue
        lanes = evidence.reading.board.map.data_masks[chip]
        known = evidence.replay.healthy.expected_known & evidence.replay.data_known & lanes
        reads = sole_driver(evidence, chip) & (known != 0)
        wrong = reads & (off & lanes & ~misread != 0)
        if not wrong.any():
            continue
        alone = _unwritten(evidence, chip)
        wrong &= ~alone.back
        count, opportunities = int(wrong.sum()), int(reads.sum())
        if not count:
            continue
        several = wrong & there & (np.bitwise_count(off) >= 2)
        at_once = int(several.sum())
        if (several & (np.bitwise_count(off & lanes) >= MANY_BITS) & ~_neighbours(evidence)).any():
            at_once = AT_ONCE
        fault = is_systematic(evidence, reads, wrong, ~alone.doubtful) or at_once >= AT_ONCE
        fault = fault or bool((wrong & followed & alone.stays).any())
        where = len(np.unique(evidence.replay.address[wrong]))
        name = "rom-content" if kind == ROM else "ram-content"
        detail = "; ".join(
            part
            for part in (
                _by_bit(evidence, wrong, int(lanes)),
                _by_address_bit(evidence, reads, wrong),
            )
            if part
        )
        told = "its image" if kind == ROM else "what was written"
        yield Finding(
            rule=name if fault else "stray-read",
            severity="fault" if fault else "oddity",
            chips=(ref,),
            cycles=evidence.show(wrong),
            opportunities=opportunities,
            count=count,
            measured=f"{count:,} of {opportunities:,} reads differ, at "
            f"{count_words(where, 'address', 'addresses')}; {detail}",
            expected=f"{told} at every read",
            text=f"{ref} does not give {told}: {count:,} of {opportunities:,} reads differ "
            f"({_example(evidence, wrong)})."
            if fault
            else f"{count:,} of {opportunities:,} reads of {ref} differ from {told}, never twice "
            "at the same place and without effect on the program: stray samples.",
        )


def _neighbours(evidence: Evidence) -> Column:
    """Cycles with the byte of the cycle before or after: bool, (n,)."""
    data = evidence.replay.data[: evidence.n]
    same = data[1:] == data[:-1]
    near = np.zeros(evidence.n, dtype=np.bool_)
    near[1:] |= same
    near[:-1] |= same
    return near


def holds_last_byte(evidence: Evidence) -> Column:
    """Reads that gave exactly the byte that was on the bus in the cycle before: bool, (n,)."""
    return _holds(evidence, 0xFF)


def _holds(evidence: Evidence, lanes: int) -> Column:
    """The same, looking at some of the data lines."""
    data, known = evidence.replay.data & np.uint8(lanes), evidence.replay.data_known
    known = known & np.uint8(lanes)
    same = np.zeros(evidence.n, dtype=np.bool_)
    same[1:] = (data[1:] == data[:-1]) & (known[1:] == lanes) & (known[:-1] == lanes)
    return same


def unanswered(evidence: Evidence) -> Iterator[Finding]:
    """A chip that should drive, but the bus keeps the byte it had before."""
    off = wrong_bits(evidence)
    for chip, ref in enumerate(evidence.replay.chips):
        kind = evidence.replay.kind[chip]
        same = _holds(evidence, int(evidence.reading.board.map.data_masks[chip]))
        reads = sole_driver(evidence, chip)
        if kind == IO:
            told = (
                (evidence.replay.healthy.cost[: evidence.n] > 0) | ~same
            ) & reads  # a register that gives back what it was told is no evidence
            held = told & same
            # Registers at rest read 0 or $FF, and so may the bus before: that tells nothing.
            plain = np.isin(evidence.replay.data, (0x00, 0xFF))
            told, held = told & ~(plain & same), held & ~plain
        else:
            told = reads & (off & evidence.reading.board.map.data_masks[chip] != 0)
            held = told & same
        pairs = evidence.replay.address[held].astype(np.int64) << 8
        distinct = len(np.unique(pairs | evidence.replay.data[held]))
        if distinct < (REGISTERS_HELD if kind == IO else PLACES_HELD) or held.sum() < told.sum():
            continue
        if kind not in (ROM, RAM, IO):
            continue
        yield Finding(
            rule="io-unanswered" if kind == IO else "memory-unanswered",
            severity="fault",
            chips=(ref,),
            cycles=evidence.show(held),
            opportunities=int(told.sum()),
            count=int(held.sum()),
            measured=f"all {int(held.sum()):,} telling reads, at {distinct} places, repeat the "
            "byte that was on the bus before",
            expected=f"{ref} drives the bus",
            text=f"{ref} does not drive the bus: its reads return the byte of the cycle before.",
        )


def nobody_there(evidence: Evidence) -> Iterator[Finding]:
    """The board has nothing at these addresses; sizing memory reads them on purpose."""
    reading, replay = evidence.reading, evidence.replay
    if not reading.board.complete:
        return
    address = replay.address
    empty = (replay.healthy.drivers == 0) & (replay.read == 1) & evidence.live & (address >= 0)
    empty &= replay.banks.described[replay.rows(np.maximum(address, 0))]
    if not empty.any():
        return
    runs = empty & evidence.program_byte
    measured = (
        f"{count_words(int(empty.sum()), 'read')} at "
        f"{count_words(len(np.unique(address[empty])), 'address', 'addresses')} without a chip"
    )
    expected = "code runs from ROM or RAM; data reads there may be a program sizing its memory"
    if runs.sum() < FEWEST_RUN:
        yield Finding(
            rule="reads-nowhere",
            severity="note",
            cycles=evidence.show(empty),
            opportunities=int(evidence.live.sum()),
            count=int(empty.sum()),
            measured=measured,
            expected=expected,
            text=f"{count_words(int(empty.sum()), 'read goes', 'reads go')} where no chip answers: "
            "normal while a program sizes its memory.",
        )
        return
    floats = int((runs & _floats(evidence)).sum())
    astray = floats >= FEWEST_ASTRAY and floats > MOSTLY * runs.sum()
    where = f"first at ${int(address[np.flatnonzero(runs)[0]]):04X}"
    yield Finding(
        rule="runs-nowhere",
        severity="fault" if astray else "oddity",
        cycles=evidence.show(runs),
        opportunities=int(evidence.live.sum()),
        count=int(runs.sum()),
        measured=f"{measured}; {floats:,} of {int(runs.sum()):,} bytes run there are the one "
        "before, or that with some lines gone high",
        expected=expected,
        text=f"The CPU runs where nobody drives the bus ({where}, {int(runs.sum()):,} bytes): it "
        "left its program."
        if astray
        else f"The CPU runs code where no chip answers ({where}).",
    )


def _floats(evidence: Evidence) -> Column:
    """Reads that gave the byte of the cycle before, or that with some lines gone high."""
    data, whole = evidence.replay.data, evidence.replay.data_known == 0xFF
    same = np.zeros(evidence.n, dtype=np.bool_)
    same[1:] = (data[:-1] & ~data[1:] == 0) & whole[1:] & whole[:-1]
    return same


def runs_empty(evidence: Evidence) -> Iterator[Finding]:
    """The program goes on and on through one and the same byte: memory that nobody filled, or that
    does not answer. Where no program was recovered every cycle counts.
    """
    replay, cycles = evidence.replay, evidence.reading.cycles
    whole = evidence.program_byte & (replay.data_known == 0xFF)
    address = replay.meant_address
    if evidence.reading.program.method == "none":
        n, captured = evidence.n, evidence.reading.hookup.address_mask
        whole = evidence.live & (cycles.data_known[:n] == 0xFF)
        address = np.where(cycles.address_known[:n] == captured, cycles.address[:n], -1)
    at = np.flatnonzero(whole & (address >= 0))
    if len(at) < LONGEST_RUN:
        return
    byte = replay.data[at]
    starts, ends = stretches(byte[1:] == byte[:-1])
    if not len(starts):
        return
    longest = int(np.argmax(ends - starts))
    run = at[starts[longest] : ends[longest] + 1]
    if len(np.unique(address[run])) < LONGEST_RUN:
        return
    first = int(run[0])
    shown = int(replay.data[first])
    meant = int(replay.meant_address[first])
    where = f", from ${meant:04X} on," if meant >= 0 else " in a row"
    wired = " It is NOP: that is right where the data bus is wired to it for a test."
    yield Finding(
        rule="runs-empty",
        severity="fault",
        cycles=tuple(run[:SHOWN].tolist()),
        opportunities=len(at),
        count=len(run),
        measured=f"{len(run):,} bytes{where} are all ${shown:02X}",
        expected="instructions and operands that differ",
        text=f"The CPU runs through {len(run):,} bytes that{where} are all ${shown:02X}: it left "
        "its program, and stumbles through memory that nobody filled, or that gives nothing."
        + (wired if shown == NOP else ""),
    )


def runs_in_ram(evidence: Evidence) -> Iterator[Finding]:
    """All of the program in view is in RAM, nobody was seen to write it there, and the board has a
    ROM to run.
    """
    replay = evidence.replay
    at = np.flatnonzero(evidence.program_byte & evidence.live & (replay.read == 1))
    if not replay.of_kind(ROM) or len(at) < FEWEST_IN_RAM:
        return
    drivers, address = replay.healthy.drivers[at], replay.address[at]
    others = drivers & ~np.uint32(replay.of_kind(RAM))
    if not ((address >= 0) & (drivers != 0) & (others == 0)).all():
        return
    if np.isin(address, replay.address[replay.read == 0]).any():
        return
    places = len(np.unique(address))
    first, last = f"${int(address.min()):04X}", f"${int(address.max()):04X}"
    yield Finding(
        rule="runs-in-ram",
        severity="oddity",
        cycles=tuple(at[:SHOWN].tolist()),
        opportunities=len(at),
        count=len(at),
        measured=f"all {len(at):,} bytes of the program, at {places:,} addresses from "
        f"{first} to {last}, come out of RAM",
        expected="a boot runs from ROM, or is seen to write what it runs in RAM",
        text=f"All that the CPU runs here is in RAM ({first} to {last}), nothing of it in ROM, and "
        "nobody was seen to write it there: either a program that was loaded before, or a CPU that "
        "has lost its way.",
    )


def writes_fought(evidence: Evidence) -> Iterator[Finding]:
    """A chip that pulls down what the CPU writes to it, and nothing else does: it drives."""
    replay, n = evidence.replay, evidence.n
    row = replay.rows(replay.address)
    writes = (row >= 0) & (replay.read == 0) & evidence.owned
    known = evidence.reading.program.intent.data_known[:n] & replay.data_known
    # Only a bit that should be high can be pulled down.
    asked = writes & (evidence.reading.program.intent.data[:n] & known != 0)
    off = asked & (evidence.data_off != 0)
    answers = replay.banks.responds[np.maximum(row, 0), 0]
    for chip, ref in enumerate(replay.chips):
        mine = answers == np.uint32(1 << chip)
        told, wrong = asked & mine, off & mine
        places = len(np.unique(replay.address[wrong]))
        down = not (evidence.data_off[wrong] & replay.data[wrong]).any()
        lines = np.bitwise_count(evidence.data_off[wrong]).max(initial=0)
        if places < 2 and lines < PULLED_DOWN:
            continue
        if not down or wrong.sum() < FOUGHT * told.sum():
            continue
        others = asked & ~mine
        if (off & others).sum() > NOISE_RATE * others.sum():
            continue
        at = int(np.flatnonzero(wrong)[0])
        meant = int(evidence.reading.program.intent.data[at])
        yield Finding(
            rule="write-fought",
            severity="fault",
            chips=(ref,),
            cycles=evidence.show(wrong),
            opportunities=int(told.sum()),
            count=int(wrong.sum()),
            measured=f"{int(wrong.sum()):,} of {int(told.sum()):,} writes to {ref} show a lower "
            f"byte than the CPU gave; {int((off & others).sum()):,} of {int(others.sum()):,} "
            "elsewhere do",
            expected="the byte that the program wrote",
            text=f"{ref} drives against what is written to it: "
            f"{count_words(int(wrong.sum()), 'write')} of {int(told.sum()):,} came out lower "
            f"(${meant:02X} became ${int(replay.data[at]):02X}). It takes writes for reads.",
        )


RULES = (memory_content, unanswered, nobody_there, runs_empty, runs_in_ram, writes_fought)
