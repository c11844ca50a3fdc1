"""Rules about IRQ, NMI, RDY, and about the CPU itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cycles import OWNER_CPU, stretches
from bustrace.findings._kernels import IO
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.program import RTI, Kind, Program

Rows = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

FLAG_I = 0x04
MIN_CYCLES = 32
"""Cycles a line must be seen at one level before it is called held."""

REFUSALS = 4
"""Instructions, run against an IRQ that reads low, that make it the clip."""

STILL, FEWEST_LINES = 512, 8
"""Cycles that a CPU must stand in one read, and address lines that must show it."""

MOVES, MOSTLY_MOVES = 8, 0.5
"""Reads with RDY low after which the address moves on, and their share of all such reads, that say
that the CPU does not wait."""

SHORT_HANDLER = 8
"""Instructions after an NMI within which the next is no other business of the program's."""

STORM = 4
"""Handler entries, one after another without the main program in between, that make a storm."""


def interrupt_lines(evidence: Evidence) -> Iterator[Finding]:
    """IRQ or NMI low from before anything could have requested, and never released."""
    reading = evidence.reading
    for pin, kind in (("IRQ", Kind.IRQ), ("NMI", Kind.NMI)):
        level = reading.cycles.pin(pin)
        known = level < 2
        if known.sum() < MIN_CYCLES or (level[known] == 1).any():
            continue
        if None in evidence.low_holds(pin):
            continue
        count = int(known.sum())
        refused = len(refusals(reading.program)) if pin == "IRQ" else 0
        taken = int((reading.program.kind == kind).sum())
        if refused >= REFUSALS:
            yield Finding(
                rule="clip-off",
                severity="oddity",
                lines=(pin,),
                opportunities=count,
                count=count,
                measured=f"{pin} reads low while the CPU, interrupts enabled, runs {refused:,} "
                "instructions that an interrupt should have come before",
                expected="an interrupt within one instruction",
                text=f"{pin} reads low, but the CPU does not see it: its clip is off.",
            )
            continue
        yield Finding(
            rule="irq-held" if pin == "IRQ" else "nmi-held",
            severity="fault",
            lines=(pin,),
            chips=reading.board.irq_from if pin == "IRQ" else reading.board.nmi_from,
            cycles=(int(np.flatnonzero(known)[0]),),
            opportunities=count,
            count=count,
            measured=f"low in all {count:,} cycles, from the first one on"
            + (f"; {taken:,} interrupts taken" if taken else ""),
            expected="high until a chip has been set up to request",
            text=f"{pin} is low from the first cycle and never rises, before any program could "
            "have asked for an interrupt"
            + (
                "."
                if taken or pin == "NMI"
                else "; the program has not enabled interrupts, so it does not notice yet."
            ),
        )


def refusals(program: Program) -> npt.NDArray[np.int64]:
    """Rows of instructions with the I flag known clear, after two more of the kind: an IRQ that was
    low would have come before them.

    CLI and PLP let one more instruction run (common practice).
    """
    rows = program.kind == Kind.INSTRUCTION
    clear = (program.registers_known[:, 4] & FLAG_I != 0) & (program.registers[:, 4] & FLAG_I == 0)
    ran = rows & clear
    return np.flatnonzero(ran[2:] & ran[1:-1] & ran[:-2]) + 2


def interrupt_storm(evidence: Evidence) -> Iterator[Finding]:
    """Interrupt after interrupt, with hardly an instruction of the main program in between."""
    reading, program = evidence.reading, evidence.reading.program
    level = reading.cycles.pin("IRQ")
    if (level < 2).any() and not (level == 1).any():
        return  # held: told by the other rule
    entries = np.flatnonzero(program.kind == Kind.IRQ)
    returned, nothing_done = _between(program, entries)
    worst = _longest(returned & nothing_done)
    still_low = (level == 2).all() or bool((level[-min(len(level), 256) :] == 0).mean() > 0.95)
    if worst < STORM or not still_low:
        return
    asked = _asked_by_the_handler(evidence, entries)
    yield Finding(
        rule="irq-storm",
        severity="fault",
        lines=("IRQ",),
        chips=reading.board.irq_from,
        cycles=tuple(int(program.first_cycle[row]) for row in entries[:32]),
        opportunities=len(entries),
        count=worst + 1,
        measured=f"{worst + 1} interrupts in a row, at most one instruction between them; the "
        f"handler reads {asked}",
        expected="the handler clears its source, then the main program goes on",
        text="The interrupt never goes away: the CPU returns from the handler straight into the "
        f"next one. It reads {asked}: the source is not cleared, or IRQ is held by a chip that the "
        "handler does not ask.",
    )


def nmi_storm(evidence: Evidence) -> Iterator[Finding]:
    """NMI after NMI, which only a line that falls again and again asks for."""
    program = evidence.reading.program
    entries = np.flatnonzero(program.kind == Kind.NMI)
    returned, nothing_done = _between(program, entries)
    nested = ~returned & (np.diff(entries) <= SHORT_HANDLER)
    worst = _longest(nothing_done | nested)
    if worst < STORM:
        return
    yield Finding(
        rule="nmi-storm",
        severity="fault",
        lines=("NMI",),
        chips=evidence.reading.board.nmi_from,
        cycles=tuple(int(program.first_cycle[row]) for row in entries[:SHOWN]),
        opportunities=len(entries),
        count=worst + 1,
        measured=f"{worst + 1} times in a row NMI is taken in its own handler, or at most one "
        "instruction after it",
        expected="NMI rests high, and falls once for what asks",
        text=f"NMI is taken {worst + 1} times in a row, with hardly an instruction of the main "
        "program in between: NMI falls again and again.",
    )


def _between(program: Program, entries: Rows) -> tuple[Flags, Flags]:
    """Of each interrupt and the next: whether a return lies between, and whether it has at most one
    instruction of the main program behind it.
    """
    returns = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.opcode == RTI))
    if len(entries) < 2 or not len(returns):
        none = np.zeros(max(len(entries) - 1, 0), np.bool_)
        return none, none
    last = np.searchsorted(returns, entries[1:]) - 1
    latest = returns[np.maximum(last, 0)]
    returned = (last >= 0) & (latest > entries[:-1])
    return returned, returned & (entries[1:] - latest <= 2)


def _longest(flags: Flags) -> int:
    """Length of the longest run."""
    starts, ends = stretches(flags)
    return int((ends - starts).max(initial=0))


def _asked_by_the_handler(evidence: Evidence, entries: npt.NDArray[np.int64]) -> str:
    """I/O registers that are read between interrupt and return, in words."""
    program, replay = evidence.reading.program, evidence.replay
    returns = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.opcode == RTI))
    inside = np.zeros(evidence.n + 1, dtype=np.int8)
    after = np.searchsorted(returns, entries)
    for entry, place in zip(entries, after, strict=True):
        end = program.first_cycle[returns[place]] if place < len(returns) else evidence.n
        inside[min(program.first_cycle[entry], evidence.n)] += 1
        inside[min(end, evidence.n)] -= 1
    handler = (np.cumsum(inside)[:-1] > 0) & (replay.read == 1) & (replay.address >= 0)
    asked = []
    for chip, ref in enumerate(replay.chips):
        if replay.kind[chip] != IO:
            continue
        mine = handler & (replay.healthy.drivers >> np.uint32(chip) & 1 == 1)
        registers = np.unique(replay.offsets(chip, np.flatnonzero(mine)))
        if len(registers):
            names = ", ".join(str(register) for register in registers[:8])
            asked.append(f"register{'s' if len(registers) > 1 else ''} {names} of {ref}")
    return " and ".join(asked) if asked else "no I/O register"


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


def does_not_wait(evidence: Evidence) -> bool:
    """Whether the CPU goes on in reads in which RDY shows low: it is the clip that does."""
    cycles = evidence.reading.cycles
    low = cycles.pin("RDY") == 0
    held = np.flatnonzero(low[:-1] & (cycles.pin("RW")[:-1] == 1))
    moved = cycles.address[held] != cycles.address[held + 1]
    return bool(moved.sum() >= MOVES and moved.mean() > MOSTLY_MOVES)


def stands_still(evidence: Evidence) -> Iterator[Finding]:
    """RDY is not clipped, and the CPU stands in one read to the end while its clock runs.

    An NMOS 6502 puts out another address in nearly every cycle; only RDY holds it in a read
    (makers' sheets), and a jam shows $FFFF (recorded chip traces). A part with WAI or STP may rest
    by itself.
    """
    rest = _rest(evidence)
    if rest is None or rest.jammed or evidence.reading.hookup.has("RDY"):
        return
    longest = max((hold or 0 for hold in evidence.low_holds("RDY")), default=0)
    if None in evidence.low_holds("RDY") or rest.stood < 2 * longest:
        return
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


@dataclass(frozen=True, slots=True)
class _Rest:
    """The address and R/W rest in a read from cycle `first` to the end, `stood` cycles; `jammed`
    when it is where a jam leaves them.
    """

    first: int
    stood: int
    jammed: bool


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
    everywhere = 0xFFFF & captured & reading.board.address_mask
    return _Rest(first, n - first, int(address[-1]) == everywhere)


def jammed_before(evidence: Evidence) -> Iterator[Finding]:
    """The CPU stands where a jam leaves it, and what led there is not in view."""
    rest = _rest(evidence)
    cycles = evidence.reading.cycles
    if rest is None or not rest.jammed or evidence.reading.program.jam_at is not None:
        return
    if (cycles.pin("RDY")[rest.first :] == 0).any() or (
        cycles.pin("SYNC")[rest.first :] == 1
    ).any():
        return
    since = f"From cycle {rest.first:,} on" if rest.first else "In all of the capture"
    yield Finding(
        rule="jam-out-of-view",
        severity="fault",
        chips=(evidence.reading.board.cpu.ref,),
        cycles=(rest.first,),
        opportunities=len(cycles),
        count=rest.stood,
        measured=f"every address line high and R/W in a read for {rest.stood:,} cycles of a "
        "running clock",
        expected="another address in nearly every cycle; after a jam all address lines stay high "
        "(recorded chip traces)",
        text=f"{since} the CPU stands as after an instruction that stops it for good; what led "
        "there is not in view.",
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


RULES = (
    stands_still,
    jammed_before,
    interrupt_lines,
    interrupt_storm,
    nmi_storm,
    ready_line,
    jam,
    thread_lost,
)
