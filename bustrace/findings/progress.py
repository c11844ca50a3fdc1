"""How far the boot came: the ladder, and what was not exercised."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bustrace.findings._kernels import IO, RAM, ROM
from bustrace.findings.coverage import coverage, share
from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import doubled_by_file, sole_driver, wrong_bits
from bustrace.findings.model import Derail, Finding, Rung, RungStatus
from bustrace.findings.reset_rules import last_release, release_ps, reset_spans, vector_read
from bustrace.hookup import ADDRESS_PINS, CLOCK_PINS, DATA_PINS
from bustrace.program import Kind
from bustrace.units import format_time, numbered_runs

KNOWN_GROUND = 0.97
"""Share of the last quarter's instructions at addresses run before that makes it a loop: the
program breaks no new ground any more."""


STACK_END = 0x0200
"""Zero page and stack lie below: RAM on every board of this family."""

SHORT_LOOP = 8
"""Addresses below which a loop that asks no I/O is rather one that clears, copies or waits."""


HELD_RULES = frozenset(
    {
        "clock-absent",
        "reset-held",
        "reset-repeats",
        "reset-scattered",
        "irq-held",
        "nmi-held",
        "rdy-held",
        "bus-held",
        "cpu-stands",
        "jam-out-of-view",
    }
)
"""Rules about one line for the whole capture: what is wrong is no single cycle."""


@dataclass(frozen=True, slots=True)
class MainLoop:
    """Addresses among which the program stays at the end."""

    first: int
    last: int
    instructions: int
    visits: int


def main_loop(evidence: Evidence) -> MainLoop | None:
    """The loop in which the capture ends, when it ends in one."""
    program = evidence.reading.program
    rows = (program.kind == Kind.INSTRUCTION) & (program.pc >= 0)
    pcs = program.pc[rows]
    if len(pcs) < 64 or program.lost_at is not None or program.jam_at is not None:
        return None
    tail = pcs[-max(len(pcs) // 4, 32) :]
    before = np.bincount(pcs[: -len(tail)], minlength=0x10000)
    if (before[tail] > 0).mean() < KNOWN_GROUND:
        return None
    distinct = np.unique(tail)
    since = int(program.first_cycle[rows][-len(tail)])
    if len(distinct) < SHORT_LOOP and not _asks_io(evidence, since):
        return None
    if (program.kind[program.first_cycle >= since] == Kind.RESET).any():
        return None  # starting again and again is no loop of the program's own
    return MainLoop(int(distinct[0]), int(distinct[-1]), len(distinct), len(tail) // len(distinct))


def _asks_io(evidence: Evidence, since: int) -> bool:
    """Whether an I/O chip was read from a cycle on."""
    io = evidence.replay.of_kind(IO)
    return bool((evidence.replay.healthy.drivers[since:] & np.uint32(io)).any())


def ladder(evidence: Evidence, findings: list[Finding], derail: Derail | None) -> tuple[Rung, ...]:
    """Rungs from the clock to the main loop, each ok, bad, not seen or not captured."""
    faults: dict[str, Finding] = {}
    for finding in findings:
        if finding.severity == "fault":
            faults.setdefault(finding.rule, finding)
    rungs = [
        _clock(evidence, faults),
        _reset(evidence, faults),
        _vector(evidence, faults),
        _first_instruction(evidence, faults),
        _rom(evidence, faults),
        _stack(evidence),
        _memory(evidence, faults),
        _selects(evidence, faults),
        _interrupts(evidence, faults),
        _loop(evidence, derail, faults, findings),
    ]
    return tuple(rungs)


def _bad(faults: dict[str, Finding], name: str, *rules: str) -> Rung | None:
    for rule in rules:
        if rule in faults:
            found = faults[rule]
            # The sentence itself stands above the ladder and among the findings.
            if rule in HELD_RULES:
                return Rung(name, "bad", found.measured)
            if rule in ("vector-content", "vector-undriven", "vector-nowhere"):
                return Rung(name, "bad", f"reads {found.measured}, not {found.expected}")
            return Rung(name, "bad", found.text)
    return None


def _clock(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    cycles = evidence.reading.cycles
    bad = _bad(faults, "clock", "clock-absent", "clock-stops", "clock-limits")
    if bad:
        return bad
    if cycles.clock.role == "state rows":
        return Rung("clock", "ok", f"{len(cycles):,} rows, one a cycle")
    if not any(evidence.reading.hookup.has(pin) for pin in CLOCK_PINS):
        if cycles.clock.role != "estimated":
            return Rung("clock", "not captured", "no clock line among the clips")
        rate = 1e6 / (cycles.mean_period_ps or 1)
        return Rung(
            "clock",
            "not captured",
            f"no clock line among the clips; the bus moves as at {rate:.4g} MHz, {len(cycles):,} "
            f"cycles, {100 * (cycles.clock.seen_share or 0):.0f} % of them seen to end",
        )
    if not len(cycles) or not cycles.clock.period_ps:
        return Rung("clock", "not seen", cycles.reason or "no cycle")
    rate = 1e6 / (cycles.mean_period_ps or 1)
    text = f"{rate:.4g} MHz, {len(cycles):,} cycles, {cycles.clock.role}"
    return Rung("clock", "ok", text)


def _reset(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "reset released"
    bad = _bad(faults, name, "reset-held", "reset-repeats", "reset-scattered")
    if bad:
        return bad
    if not evidence.reading.hookup.has("RES"):
        return Rung(name, "not captured", "RES is not among the clips")
    reading = evidence.reading
    release = last_release(reading)
    released_ps = release_ps(reading.capture, reading.hookup, reading.cycles)
    if release is not None and released_ps is not None:
        at = format_time(released_ps - reading.capture.start_ps)
        return Rung(name, "ok", f"at cycle {release:,}, {at} into the capture")
    if any(span.level == 1 for span in reset_spans(evidence.reading)):
        return Rung(name, "ok", "high from the start; the release itself is not in view")
    return Rung(name, "not seen", evidence.reading.cycles.reason or "no release in the capture")


def _vector(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "vector read"
    bad = _bad(
        faults,
        name,
        "vector-absent",
        "vector-undriven",
        "vector-content",
        "vector-nowhere",
        "vector-not-taken",
    )
    if bad:
        return bad
    if not _has_address(evidence):
        return Rung(name, "not captured", "needs the address lines")
    read = _vector_read(evidence)
    if read is None:
        return Rung(name, "not seen", "no fetch from $FFFC, $FFFD after a reset in view")
    at, after, _ = read
    data, known = evidence.replay.data, evidence.replay.data_known
    if known[at] != 0xFF or known[after] != 0xFF:
        return Rung(name, "ok", f"at cycle {at:,}; its bytes are not captured")
    vector = int(data[at]) | int(data[after]) << 8
    return Rung(name, "ok", f"${vector:04X} at cycle {at:,}")


def _first_instruction(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "first instruction"
    if "vector-not-taken" in faults:
        return Rung(name, "bad", faults["vector-not-taken"].text)
    read = _vector_read(evidence)
    then = read[2] if read else None
    if then is None or then >= evidence.n:
        sync = evidence.reading.program.method == "sync" and last_release(evidence.reading)
        if sync and not _has_address(evidence):
            later = evidence.reading.program.first_cycle[
                evidence.reading.program.kind == Kind.INSTRUCTION
            ]
            if (later > sync).any():
                first = int(later[later > sync][0])
                return Rung(name, "ok", f"SYNC at cycle {first:,}, {first - sync} after release")
        has = _has_address(evidence)
        return Rung(
            name,
            "not seen" if has else "not captured",
            "no vector fetch in view" if has else "needs the address lines or SYNC",
        )
    where = int(evidence.replay.address[then])
    if where < 0:
        return Rung(name, "not captured", "needs the address lines")
    return Rung(name, "ok", f"at ${where:04X}, where the vector points")


def _rom(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "ROM runs"
    roms = [i for i in range(len(evidence.replay.chips)) if evidence.replay.kind[i] == ROM]
    chips = {evidence.replay.chips[i] for i in roms}
    for rule in ("rom-content", "memory-unanswered"):
        if rule in faults and set(faults[rule].chips) & chips:
            return Rung(name, "bad", faults[rule].text)
    jammed = _jammed_elsewhere(evidence)
    if "cpu-jam" in faults and jammed is None:
        return Rung(name, "bad", faults["cpu-jam"].text)
    program = evidence.reading.program
    ran = int((program.kind == Kind.INSTRUCTION).sum())
    if not _has_address(evidence):
        if ran:
            return Rung(name, "ok" if program.method == "follow" else "not captured",
                        f"{ran:,} instructions; their addresses are not captured")  # fmt: skip
        return Rung(name, "not captured", "needs the address and data lines")
    checked = shared = 0
    seen = []
    for chip in roms:
        ref = evidence.replay.chips[chip]
        if evidence.replay.has_image(ref):
            drives = evidence.replay.healthy.drivers >> np.uint32(chip) & 1 == 1
            alone = sole_driver(evidence, chip)
            checked += int(alone.sum())
            shared += int((drives & ~alone & evidence.live).sum())
            seen.append(f"{share(coverage(evidence, ref))} of {ref}")
    if checked > shared:
        text = f"{checked:,} reads equal the image ({', '.join(seen)}); {ran:,} instructions"
        return Rung(name, "ok", text + (f". {jammed}" if jammed else ""))
    if jammed:
        return Rung(name, "not seen", jammed)
    twice = doubled_by_file(evidence)
    if twice is not None:
        return Rung(name, "not seen", f"{ran:,} instructions; {twice}")
    if ran and seen:
        return Rung(name, "not seen", f"{ran:,} instructions, nothing of them surely from a ROM")
    if ran:
        return Rung(name, "ok", f"{ran:,} instructions; no image to compare with")
    return Rung(name, "not seen", program.reason or "no instruction")


def _jammed_elsewhere(evidence: Evidence) -> str | None:
    """What led to a jam for which no wrong byte of a ROM is to blame; None for others, and none."""
    at, replay = evidence.reading.program.jam_at, evidence.replay
    if at is None or at >= evidence.n or replay.address[at] < 0:
        return None
    address, drivers = int(replay.address[at]), int(replay.healthy.drivers[at])
    where = f"${address:04X}"
    there = [i for i in range(len(replay.chips)) if drivers >> i & 1]
    if any(replay.kind[i] == ROM for i in there):
        if replay.healthy.expected_known[at] == 0xFF and not wrong_bits(evidence)[at]:
            return f"The CPU jams at {where} on the image's own byte: led to where no program is"
        return None
    if there:
        return f"The CPU jams at {where}, in {replay.chips[there[0]]}: no ROM gave that byte"
    if evidence.reading.board.complete:
        return f"The CPU jams at {where}, where no chip answers: it had run wild"
    if address < STACK_END:
        return f"The CPU jams at {where}, which is zero page or stack: no ROM gave that byte"
    return None


def _stack(evidence: Evidence) -> Rung:
    name = "stack"
    if not _has_address(evidence) or not _has_data(evidence):
        return Rung(name, "not captured", "needs the address and data lines")
    healthy = evidence.replay.healthy
    page = (evidence.replay.address >> 8) == 1
    read = page & (evidence.replay.read == 1) & evidence.live & (healthy.expected_known == 0xFF)
    wrong = read & (wrong_bits(evidence) != 0)
    if wrong.sum() >= 2:
        return Rung(
            name, "bad", f"{int(wrong.sum()):,} of {int(read.sum()):,} bytes come back wrong"
        )
    if not read.any():
        return Rung(name, "not seen", "nothing was pulled that had been pushed")
    return Rung(name, "ok", f"{int(read.sum()):,} bytes came back as pushed")


def _memory(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "RAM"
    rams = [i for i in range(len(evidence.replay.chips)) if evidence.replay.kind[i] == RAM]
    chips = {evidence.replay.chips[i] for i in rams}
    for rule in ("ram-content", "memory-unanswered"):
        if rule in faults and set(faults[rule].chips) & chips:
            return Rung(name, "bad", faults[rule].text)
    if not _has_address(evidence) or not _has_data(evidence):
        return Rung(name, "not captured", "needs the address and data lines")
    if not rams:
        return Rung(name, "not seen", _no_ram(evidence))
    told = np.zeros(evidence.n, dtype=np.bool_)
    for chip in rams:
        told |= sole_driver(evidence, chip)
    told &= evidence.replay.healthy.expected_known == 0xFF
    if not told.any():
        return Rung(name, "not seen", "nothing was read back that had been written")
    return Rung(name, "ok", f"{int(told.sum()):,} reads gave back what the cell held")


def _no_ram(evidence: Evidence) -> str:
    if evidence.reading.board.source:
        return "the board file names no RAM"
    return "without a board file nobody knows where RAM is"


def _selects(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "selects"
    bad = _bad(faults, name, "select-missing", "select-doubled", "select-always", "select-wrong")
    if bad:
        return bad
    cycles = evidence.reading.cycles
    if not cycles.select_names:
        return Rung(name, "not captured", "no select among the clips")
    used = [ref for ref in cycles.select_names if (cycles.select(ref) == 1).any()]
    if not used:
        return Rung(name, "not seen", "no captured select was asserted")
    judged = [ref for ref in used if ref in evidence.replay.chips and _has_address(evidence)]
    text = f"asserted: {numbered_runs(_with_their_banks(evidence, used))}"
    twice = doubled_by_file(evidence)
    if twice is not None:
        return Rung(name, "not seen", f"{text}; {twice}")
    if judged:
        return Rung(name, "ok", text + "; where the decode table says")
    return Rung(name, "not seen", text + "; no address lines or no decode table to judge them by")


def _with_their_banks(evidence: Evidence, refs: list[str]) -> list[str]:
    """The chips, and behind each those that share its select line."""
    line_of = {
        chip.ref: chip.selects[0].name if chip.selects else chip.ref
        for chip in evidence.reading.board.mapped
    }
    found = [
        other for ref in refs for other in line_of if line_of[other] == line_of.get(ref, other)
    ]
    return list(dict.fromkeys([*found, *refs]))


def _interrupts(evidence: Evidence, faults: dict[str, Finding]) -> Rung:
    name = "interrupts"
    bad = _bad(
        faults,
        name,
        "irq-held",
        "nmi-held",
        "irq-storm",
        "nmi-storm",
        "irq-withdrawn",
        "interrupt-unheard",
    )
    if bad:
        return bad
    kinds = evidence.reading.program.kind
    taken = {k.name: int((kinds == k).sum()) for k in (Kind.IRQ, Kind.NMI)}
    if any(taken.values()):
        return Rung(
            name, "ok", ", ".join(f"{count:,} {which}" for which, count in taken.items() if count)
        )
    if not evidence.reading.board.has_pin("IRQ"):
        return Rung(name, "not seen", f"a {evidence.reading.board.cpu.part} has no interrupt pin")
    if not evidence.reading.hookup.has("IRQ") and not evidence.reading.hookup.has("NMI"):
        return Rung(name, "not captured", "IRQ and NMI are not among the clips")
    return Rung(name, "not seen", "none taken in this capture")


def _loop(
    evidence: Evidence,
    derail: Derail | None,
    faults: dict[str, Finding],
    findings: list[Finding],
) -> Rung:
    name = "main loop"
    bad = _bad(faults, name, "jam-out-of-view", "endless-loop", "stack-overrun")
    if bad:
        return bad
    loop = main_loop(evidence)
    waits = next((f for f in findings if f.rule == "poll-unanswered"), None)
    if derail is not None and faults:
        return Rung(name, "not seen", f"the program leaves its path at cycle {derail.cycle:,}")
    if waits is not None:
        return Rung(name, "not seen", f"waits for ever for {waits.chips[0]}, which may not answer")
    if loop is not None:
        return Rung(
            name,
            "ok",
            f"${loop.first:04X}-${loop.last:04X}, {loop.instructions:,} instructions, "
            f"about {loop.visits:,} times each",
        )
    program = evidence.reading.program
    status: RungStatus = "not seen"
    if program.method == "none" and not _has_data(evidence):
        status = "not captured"
    rows = (program.kind == Kind.INSTRUCTION) & (program.pc >= 0)
    if rows.any() and program.lost_at is None:
        return Rung(
            name, status, f"the capture ends at ${int(program.pc[rows][-1]):04X}, still on its way"
        )
    return Rung(name, status, program.reason or "the program's end is not in view")


def _vector_read(evidence: Evidence) -> tuple[int, int, int | None] | None:
    """Cycles of the vector's two bytes, and the CPU's next one."""
    release = last_release(evidence.reading)
    if release is not None:
        return vector_read(evidence, release)
    address = evidence.replay.address
    pair = np.flatnonzero((address[:-1] == 0xFFFC) & (address[1:] == 0xFFFD))
    rows = evidence.reading.program.kind == Kind.RESET
    firsts = evidence.reading.program.first_cycle[rows]
    ends = firsts + evidence.reading.program.length[rows]
    for end in ends[::-1]:
        inside = pair[pair == end - 2]
        if len(inside):
            at = int(inside[0])
            return at, at + 1, at + 2 if at + 2 < evidence.n else None
    return None


def _has_address(evidence: Evidence) -> bool:
    return bool((evidence.replay.address >= 0).any())


def _has_data(evidence: Evidence) -> bool:
    return evidence.reading.hookup.data_mask == 0xFF


def not_exercised(evidence: Evidence) -> tuple[str, ...]:
    """Lines, chips and functions that the capture could not test, each with why."""
    reading, replay = evidence.reading, evidence.replay
    out: list[str] = []
    missing = [pin for pin in (*ADDRESS_PINS, *DATA_PINS, "RW", "RES", "SYNC", "IRQ", "NMI", "RDY")
               if reading.board.has_pin(pin) and not reading.hookup.has(pin)]  # fmt: skip
    if missing:
        out.append(f"not captured: {numbered_runs(missing)}")
    if not _has_address(evidence):
        return tuple(out)
    touched = np.zeros(len(replay.chips), dtype=np.int64)
    for i in range(len(replay.chips)):
        touched[i] = int((replay.healthy.drivers >> np.uint32(i) & 1).sum())
    idle = [ref for i, ref in enumerate(replay.chips)
            if touched[i] == 0 and replay.readable >> i & 1
            and replay.kind[i] in (ROM, RAM, IO)]  # fmt: skip
    if idle:
        out.append(f"never read: {numbered_runs(idle)}")
    address = replay.address[evidence.live & (replay.address >= 0)]
    if len(address):
        ones = int(np.bitwise_or.reduce(address))
        zeros = int(np.bitwise_or.reduce(~address & 0xFFFF))
        both = ones & zeros | ~reading.board.address_mask
        one_level = [f"A{bit}" for bit in range(16) if not both >> bit & 1]
        if one_level:
            out.append(f"the program needs only one level of {numbered_runs(one_level)}")
    kinds = reading.program.kind
    interruptible = reading.board.has_pin("IRQ") and reading.program.method != "none"
    if interruptible and not np.isin(kinds, (Kind.IRQ, Kind.NMI)).any():
        out.append("no interrupt was taken")
    return tuple(out)
