"""Rules about RDY, and about a CPU that stands, jams, or is lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cycles import OWNER_CPU, Cycles, stretches
from bustrace.findings._kernels import ROM
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS
from bustrace.program import Kind
from bustrace.units import count_words

MIN_CYCLES = 32
"""Cycles a line must be seen at one level before it is called held."""

STILL, FEWEST_LINES = 512, 8
"""Cycles that a CPU must stand in one read, and address lines that must show it."""

STRAY_SHARE = 2e-3
"""Share of the cycles of a bus that rests that stray samples may show otherwise."""

NO_FETCH = 64
"""Cycles without a fetch that are no instruction: the longest takes eight (makers' sheets)."""

FEWEST_ODD, KINDS_ODD = 4, 3
"""Opcodes that no sheet lists, and how many different ones, which no program has that uses a few of
them on purpose. One byte over and over is memory that nobody filled."""

AS_BY_CHANCE = 0.5
"""Their share of all that are run, as part of the share that random bytes would have: of the 256
opcodes of an NMOS 6502 two in five are in no sheet, of a W65C02S one in six."""


def ready_line(evidence: Evidence) -> Iterator[Finding]:
    """RDY low for good, or longer than the board's normal holds."""
    reading = evidence.reading
    level = reading.cycles.pin("RDY")
    known = level < 2
    if known.sum() < MIN_CYCLES or not (level == 0).any():
        return
    low = level == 0
    starts, ends = stretches(low)
    at = int(np.argmax(ends - starts))
    first, length = int(starts[at]), int(ends[at] - starts[at])
    to_the_end = ends[at] == len(level)
    if any(cycles is None or length <= cycles for cycles in evidence.low_holds("RDY")):
        return
    if not to_the_end or length < max(MIN_CYCLES, len(level) // 4):
        return
    program, part = reading.program, variant_named(reading.board.cpu.variant)
    if len(program) and int(program.opcode[-1]) in part.opcodes_of("WAI"):
        return  # the CPU pulls RDY low itself while it waits for an interrupt (W65C02S sheet)
    mine = reading.cycles.owner == OWNER_CPU
    address = reading.cycles.address[first + 2 : ends[at]][mine[first + 2 : ends[at]]]
    moving = len(address) and len(np.unique(address)) > 4
    rw = reading.cycles.pin("RW")[first + 4 : ends[at]][mine[first + 4 : ends[at]]]
    if moving or (rw == 0).any():
        yield Finding(
            rule="clip-off",
            severity="oddity",
            lines=("RDY",),
            opportunities=length,
            count=length,
            measured="RDY reads low while the CPU runs on",
            expected="a CPU that waits repeats one read",
            text="RDY reads low, but the CPU runs: its clip is off.",
        )
        return
    yield Finding(
        rule="rdy-held",
        severity="fault",
        lines=("RDY",),
        cycles=(first,),
        opportunities=int(known.sum()),
        count=length,
        measured=f"low for {length:,} cycles, to the end of the capture",
        expected="high, but for short waits",
        text=f"RDY is low from cycle {first:,} to the end: the CPU waits for ever.",
    )


def at_rest(evidence: Evidence) -> Iterator[Finding]:
    """The CPU rests to the end of the capture: it is held, or it has jammed."""
    rest = _rest(evidence)
    if rest is not None and not rest.jammed:
        yield from _stands_still(evidence, rest)
    yield from _jammed_before(evidence, rest)


def _stands_still(evidence: Evidence, rest: _Rest) -> Iterator[Finding]:
    """RDY is not clipped, and the CPU stands in one read to the end while its clock runs.

    An NMOS 6502 puts out another address in nearly every cycle; only RDY holds it in a read
    (makers' sheets), and a jam shows $FFFF (recorded chip traces). A part with WAI or STP may rest
    by itself.
    """
    if evidence.reading.hookup.has("RDY"):
        return
    longest = max((hold or 0 for hold in evidence.low_holds("RDY")), default=0)
    if None in evidence.low_holds("RDY") or rest.stood < 2 * longest:
        return
    intent = evidence.reading.program.intent
    known = intent.address_known[rest.first :] == 0xFFFF
    if known.all() and len(np.unique(intent.address[rest.first :])) > 1:
        return  # it runs on in a small loop, on lines that are not clipped
    yield Finding(
        rule="cpu-stands",
        severity="fault",
        lines=("RDY",),
        cycles=(rest.first,),
        opportunities=len(evidence.reading.cycles),
        count=rest.stood,
        measured=f"address and R/W rest in a read for the last {rest.stood:,} cycles of a running "
        "clock",
        expected="another address in nearly every cycle",
        text=f"From cycle {rest.first:,} to the end the CPU stands in one read while its clock "
        "runs: something holds RDY low. RDY is not clipped: look at it first.",
    )


def never_runs(evidence: Evidence) -> Iterator[Finding]:
    """RES is not clipped, and the CPU stands in one read in all of the capture: it may be held in
    reset, or by RDY, and a capture that ends before RES rises looks the same.
    """
    reading, cycles = evidence.reading, evidence.reading.cycles
    part = variant_named(reading.board.cpu.variant)
    resting = part.opcodes_of("WAI") + part.opcodes_of("STP")
    n, rw = len(cycles), cycles.pin("RW")
    if reading.hookup.has("RES") or not reading.hookup.has("RW") or n < STILL or resting:
        return
    address, data = reading.hookup.address_mask, reading.hookup.data_mask
    timed = cycles.clock.role not in ("estimated", "state rows")
    if not timed or address.bit_count() + data.bit_count() < FEWEST_LINES:
        return
    if (cycles.owner != OWNER_CPU).any() or (cycles.pin("RDY") == 0).any():
        return
    bus = (cycles.address & np.uint32(address)).astype(np.int64) << 8 | cycles.data & data
    shown, times = np.unique(bus << 1 | (rw == 1), return_counts=True)
    often = int(np.argmax(times))
    moving = n - int(times[often])
    if moving > max(1, STRAY_SHARE * n) or not shown[often] & 1:
        return
    yield Finding(
        rule="cpu-rests",
        severity="oddity",
        lines=("RES",),
        opportunities=n,
        count=n - moving,
        measured=f"the bus rests in a read in {n - moving:,} of {n:,} cycles of a running clock",
        expected="another address in nearly every cycle",
        text=f"The CPU does nothing in {n:,} cycles while its clock runs: RES or RDY may hold it, "
        "RES has not risen yet, or it has jammed. RES is not clipped: look at it first.",
    )


@dataclass(frozen=True, slots=True)
class _Rest:
    """The address and R/W rest in a read from cycle `first` to the end, `stood` cycles; `jammed`
    when it is where a jam leaves them, but for the line `low`, if any.
    """

    first: int
    stood: int
    jammed: bool
    low: str | None = None


def _rest(evidence: Evidence) -> _Rest | None:
    """How long the CPU has stood in one read at the end of the capture; None if it does not, or if
    that cannot be seen.
    """
    reading, cycles = evidence.reading, evidence.reading.cycles
    n, part = len(cycles), variant_named(reading.board.cpu.variant)
    resting = part.opcodes_of("WAI") + part.opcodes_of("STP")
    captured = int(np.bitwise_and.reduce(cycles.address_known, initial=0xFFFF))
    timed = cycles.clock.role not in ("estimated", "state rows")
    if n < STILL or resting or not timed or captured.bit_count() < FEWEST_LINES:
        return None
    if not (reading.hookup.has("RW") and reading.hookup.has("RES")):
        return None
    address = cycles.address & np.uint32(captured)
    moves = np.flatnonzero(
        (address != address[-1]) | (cycles.pin("RW") != 1) | (cycles.pin("RES") == 0)
    )
    first = int(moves[-1]) + 1 if len(moves) else 0
    if n - first < STILL:
        return None
    low = 0xFFFF & captured & reading.board.address_mask & ~int(address[-1])
    if low.bit_count() != 1 or not _nothing_holds(cycles, first):
        return _Rest(first, n - first, jammed=not low)
    return _Rest(first, n - first, jammed=True, low=ADDRESS_PINS[low.bit_length() - 1])


def _nothing_holds(cycles: Cycles, first: int) -> bool:
    """Whether RDY is seen high and SYNC low from a cycle on: no pin holds the CPU, and it fetches
    nothing.
    """
    return bool((cycles.pin("RDY")[first:] == 1).all() and (cycles.pin("SYNC")[first:] == 0).all())


def _no_fetch(evidence: Evidence) -> _Rest | None:
    """How long the CPU has fetched nothing at the end of the capture, though nothing holds it, and
    it did before: else SYNC may not be clipped.
    """
    reading, cycles = evidence.reading, evidence.reading.cycles
    part, n = variant_named(reading.board.cpu.variant), len(cycles)
    held = (cycles.pin("RDY") != 1) | (cycles.pin("RES") != 1) | (cycles.owner != OWNER_CPU)
    sync = cycles.pin("SYNC")
    busy = np.flatnonzero(held | (sync != 0) | (cycles.pin("RW") == 0))
    first = int(busy[-1]) + 1 if len(busy) else 0
    if part.opcodes_of("WAI") or part.opcodes_of("STP") or n - first < NO_FETCH:
        return None
    if not (sync[:first] == 1).any():
        return None
    return _Rest(first, n - first, jammed=True)


def _jammed_before(evidence: Evidence, rest: _Rest | None) -> Iterator[Finding]:
    """The CPU stands where a jam leaves it, and what led there is not in view."""
    cycles = evidence.reading.cycles
    seen = "every address line high and R/W in a read"
    if rest is None or not rest.jammed:
        rest, seen = _no_fetch(evidence), "no fetch (SYNC low) with RDY and RES high"
    if rest is None or evidence.reading.program.jam_at is not None:
        return
    after = slice(rest.first, None)
    if (cycles.pin("RDY")[after] == 0).any() or (cycles.pin("SYNC")[after] == 1).any():
        return
    since = f"From cycle {rest.first:,} on" if rest.first else "In all of the capture"
    if rest.low is not None:
        seen = f"every address line but {rest.low} high, RDY high, and no fetch (SYNC low)"
        yield Finding(
            rule="line-stuck",
            severity="fault",
            lines=(rest.low,),
            cycles=(rest.first,),
            opportunities=rest.stood,
            count=rest.stood,
            measured=f"{rest.low} is 0 for {rest.stood:,} cycles while all other address lines "
            "are 1",
            expected="1: a CPU that fetches nothing and is not held has jammed, and all its "
            "address lines stay high (recorded chip traces)",
            text=f"{rest.low} stays 0 where a CPU that has stopped for good leaves every address "
            "line high.",
        )
    yield Finding(
        rule="jam-out-of-view",
        severity="fault",
        chips=(evidence.reading.board.cpu.ref,),
        cycles=(rest.first,),
        opportunities=len(cycles),
        count=rest.stood,
        measured=f"{seen} for {rest.stood:,} cycles of a running clock",
        expected="a fetch within eight cycles; after a jam none comes, and all address lines stay "
        "high (recorded chip traces)",
        text=f"{since} the CPU stands as after an instruction that stops it for good; what led "
        "there cannot be seen in this capture.",
    )


def jam(evidence: Evidence) -> Iterator[Finding]:
    """The CPU executed an opcode that stops it until reset."""
    program = evidence.reading.program
    if program.jam_at is None:
        return
    row = program.row_of(program.jam_at)
    opcode, pc = int(program.opcode[row]), int(program.pc[row])
    where = f" at ${pc:04X}" if pc >= 0 else ""
    rest = len(evidence.reading.cycles) - program.jam_at
    yield Finding(
        rule="cpu-jam",
        severity="fault",
        chips=(evidence.reading.board.cpu.ref,),
        cycles=(program.jam_at,),
        opportunities=1,
        count=1,
        measured=f"opcode ${opcode:02X}{where}, then no instruction for {rest:,} cycles",
        expected="no program contains this opcode; only RES ends it (that some NMOS opcodes do so: "
        "W65C02S data sheet, table 7-1; which ones: common practice)",
        text=f"The CPU jams on opcode ${opcode:02X}{where} and stays so: it was fed a wrong byte, "
        "or ran where no program is.",
    )


def nonsense(evidence: Evidence) -> Iterator[Finding]:
    """Opcodes that the CPU's sheet does not list: too many of them for a program that uses a few on
    purpose, or a few in a ROM that nobody dumped.
    """
    replay, reading = evidence.replay, evidence.reading
    fetch = evidence.live & (reading.program.intent.sync[: evidence.n] == 1)
    cycles = np.flatnonzero(fetch & (replay.address >= 0) & (replay.data_known == 0xFF))
    cycles = cycles[np.unique(replay.address[cycles], return_index=True)[1]]
    opcodes = variant_named(reading.board.cpu.variant).opcodes()
    listed = np.array([opcode.documented for opcode in opcodes])
    odd = np.sort(cycles[~listed[replay.data[cycles]]])
    kinds = len(np.unique(replay.data[odd]))
    by_chance = AS_BY_CHANCE * np.mean(~listed) * len(cycles)
    if len(odd) < FEWEST_ODD or kinds < KINDS_ODD or len(odd) < by_chance:
        yield from _unlisted(evidence, odd, len(cycles))
        return
    first = int(odd[0])
    yield Finding(
        rule="program-nonsense",
        severity="fault",
        cycles=tuple(odd[:SHOWN].tolist()),
        opportunities=len(cycles),
        count=len(odd),
        measured=f"{len(odd):,} of {count_words(len(cycles), 'opcode')} that were run, {kinds} "
        "different ones, are not in the CPU's data sheet",
        expected="none, or one now and then, in a program that was written for this CPU",
        text=f"What the CPU runs is no program: {len(odd):,} of the "
        f"{count_words(len(cycles), 'opcode')} that it met are not in its data sheet (first "
        f"${int(replay.data[first]):02X} at ${int(replay.address[first]):04X}).",
    )


def _unlisted(evidence: Evidence, odd: npt.NDArray[np.int64], opcodes: int) -> Iterator[Finding]:
    """Of the fetches of such opcodes those that the program obeyed out of a ROM without an image.
    Firmware uses hardly any: rather a byte is wrong. A program that cannot be followed may have
    read something else than the clips.
    """
    replay, program = evidence.replay, evidence.reading.program
    if program.lost_at is not None:
        return
    obeyed = program.first_cycle[program.kind == Kind.INSTRUCTION]
    odd = odd[np.isin(odd, obeyed)]
    for chip, ref in enumerate(replay.chips):
        if replay.kind[chip] != ROM or replay.has_image(ref):
            continue
        mine = odd[replay.healthy.drivers[odd] == np.uint32(1 << chip)]
        if not len(mine):
            continue
        first = int(mine[0])
        what = f"${int(replay.data[first]):02X} at ${int(replay.address[first]):04X}"
        yield Finding(
            rule="opcode-unlisted",
            severity="oddity",
            chips=(ref,),
            cycles=tuple(mine[:SHOWN].tolist()),
            opportunities=opcodes,
            count=len(mine),
            measured=f"{len(mine):,} of {count_words(opcodes, 'opcode')} that were run "
            f"({what}) not in the CPU's data sheet",
            expected="none: what the sheet does not list is hardly ever used in a ROM on purpose "
            "(common practice)",
            text=f"The CPU obeys an opcode out of {ref} that its data sheet does not list "
            f"({what}): rather a wrong byte than meant so.",
        )


def thread_lost(evidence: Evidence) -> Iterator[Finding]:
    """The CPU did something that what it read does not explain."""
    program = evidence.reading.program
    if program.method == "none" or program.lost_at is None or program.jam_at is not None:
        return
    if program.lost_at >= evidence.n:
        return
    yield Finding(
        rule="program-lost",
        severity="oddity",
        cycles=(program.lost_at,),
        opportunities=len(evidence.reading.cycles),
        count=len(evidence.reading.cycles) - program.lost_at,
        measured=program.reason or "the CPU's next cycles do not follow from what it read",
        expected="the cycles that its sheet gives for what it read",
        text=f"From cycle {program.lost_at:,} on the program cannot be followed"
        + (f": {program.reason}." if program.reason else "."),
    )


RULES = (at_rest, never_runs, ready_line, jam, nonsense, thread_lost)
