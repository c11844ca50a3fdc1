"""Rules about a program that waits for ever: for a status bit, or for an interrupt."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings._kernels import IO, RAM
from bustrace.findings.answers import HEALTHY
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.interrupt_rules import FLAG_I
from bustrace.findings.memory_rules import holds_last_byte, sole_driver, wrong_bits
from bustrace.findings.model import Finding
from bustrace.findings.progress import STACK_END
from bustrace.program import Kind, Wait, bit_words, final_wait
from bustrace.units import count_words, format_time

LONGEST_TIMER = 65_538
"""Cycles that timer 1 of a 6522 takes at most: N + 2 with a latch of $FFFF (makers' 6522 sheets,
from memory)."""

FEWEST_CYCLES = 512
"""Cycles of waiting before it is worth a word, where nothing else speaks against the chip."""

AS_IF_NOBODY = 5.0
"""Bits by which the reads of a chip must be likelier of a bus that nobody drives: a register gives
just that byte by chance once in 256."""

SHOWN_TO_ANSWER = 3.0
"""Bits by which the reads of a chip must be likelier of one that answers, to show that it does."""

_TIMER_1_HIGH, _FLAG_REGISTER, _TIMER_1_FLAG = 0x5, 0xD, 6


def status_poll(evidence: Evidence) -> Iterator[Finding]:
    """The capture ends in a loop that reads one I/O register and waits for bits that rest."""
    wait = _final_wait(evidence)
    if wait is None:
        return
    drivers = int(evidence.replay.healthy.drivers[wait.cycles[0]])
    chips = [ref for bit, ref in enumerate(evidence.replay.chips) if drivers >> bit & 1]
    if len(chips) != 1 or evidence.replay.kind[evidence.replay.chips.index(chips[0])] != IO:
        return
    seen = evidence.replay.data[wait.cycles] & wait.bits
    if (seen != seen[0]).any():
        return
    ref = chips[0]
    chip = evidence.reading.board.chip(ref)
    place = evidence.replay.chips.index(ref)
    offset = int(evidence.replay.offsets(place, wait.cycles[:1])[0])
    what = "the byte" if wait.bits == 0xFF else bit_words(wait.bits)
    level = f"%{int(seen[0]):08b}" if wait.bits.bit_count() > 1 else str(int(seen[0] != 0))
    overdue = _timer_overdue(evidence, wait, ref, offset)
    nobody = not overdue and _only_what_was_there(evidence, place)
    if not (overdue or nobody or _long(evidence, wait)):
        return  # short waits are part of every program
    if overdue:
        meaning = (
            "That bit is timer 1's: the program started it, and it needs nothing from outside to "
            "come."
        )
    elif nobody:
        meaning = (
            f"Every read of {ref} gave just what the bus shows where nobody drives it: perhaps it "
            "does not answer at all. A port at rest at that very byte would look the same."
        )
    else:
        meaning = (
            "A healthy board may wait so too, for something from outside: a key, a sync pulse, a "
            "byte, a device that is not plugged in."
        )
    yield Finding(
        rule="poll-unanswered" if nobody else "status-never-changes",
        severity="fault" if overdue else "oddity",
        chips=(ref,),
        cycles=tuple(int(cycle) for cycle in wait.cycles[:SHOWN]),
        opportunities=len(wait.cycles),
        count=len(wait.cycles),
        measured=f"{what} of register {offset} of {ref} (${wait.address:04X}) reads {level} in all "
        f"{count_words(len(wait.cycles), 'poll')}, over {_span(evidence, wait)}",
        expected=f"at most {LONGEST_TIMER:,} cycles (6522 sheets, N + 2)"
        if overdue
        else "a change, once what it waits for happens",
        text=f"The program waits {'for ever' if _long(evidence, wait) else 'to the end'} at "
        f"${wait.pc:04X} for {what} of register {offset} of "
        f"{ref}{f' ({chip.part})' if chip.part != 'custom' else ''}: still {level} after "
        f"{count_words(len(wait.cycles), 'poll')}. {meaning}",
    )


def shown_to_answer(evidence: Evidence, ref: str) -> bool:
    """Whether a chip gave what an undriven bus does not, by `SHOWN_TO_ANSWER` bits at least."""
    chip = evidence.replay.chips.index(ref)
    return -_as_if_nobody(evidence, chip, sole_driver(evidence, chip)) >= SHOWN_TO_ANSWER


def _only_what_was_there(evidence: Evidence, chip: int) -> bool:
    """Whether all that a chip gave is what this bus shows where nobody drives it; 0 and $FF, as
    ports at rest are, tell nothing.
    """
    reads = sole_driver(evidence, chip)
    told = reads & ~np.isin(evidence.replay.data, (0x00, 0xFF))
    if not told.any():
        return False
    if holds_last_byte(evidence)[reads].all():
        return True
    # It may drift, some lines more than others, as it did at places where no chip is. What the
    # chip's sheet contradicts tells of a chip that is ill as well.
    reads &= wrong_bits(evidence) == 0
    return _as_if_nobody(evidence, chip, reads) >= AS_IF_NOBODY


def _as_if_nobody(evidence: Evidence, chip: int, reads: npt.NDArray[np.bool_]) -> float:
    """Bits by which some reads are likelier of a chip that gives nothing than of a sound one."""
    replay = evidence.replay
    silent = replay.replay(HEALTHY._replace(silent=1 << chip)).cost
    sound = replay.healthy.cost
    return float(sound[reads].sum(dtype=np.float64) - silent[reads].sum(dtype=np.float64))


def _final_wait(evidence: Evidence) -> Wait | None:
    reading = evidence.reading
    return final_wait(reading.program, evidence.replay.data, reading.board.cpu.variant, evidence.n)


def _long(evidence: Evidence, wait: Wait) -> bool:
    return evidence.n - wait.first_cycle >= FEWEST_CYCLES


def _span(evidence: Evidence, wait: Wait) -> str:
    time = evidence.reading.cycles.time_ps
    return format_time(int(time[-1] - time[wait.first_cycle]))


def _timer_overdue(evidence: Evidence, wait: Wait, ref: str, offset: int) -> bool:
    """Whether the bit is the flag of a 6522's timer 1, started too long ago still to run."""
    replay = evidence.replay
    if "6522" not in evidence.reading.board.chip(ref).part or wait.bits != 1 << _TIMER_1_FLAG:
        return False
    if offset != _FLAG_REGISTER:
        return False
    chip = replay.chips.index(ref)
    rows = replay.rows(np.maximum(replay.address, 0))
    taken = (rows >= 0) & (replay.read == 0)
    taken &= replay.banks.responds[rows, 0] >> np.uint32(chip) & 1 == 1
    writes = np.flatnonzero(taken)
    starts = writes[replay.offsets(chip, writes) == _TIMER_1_HIGH]
    if not len(starts):
        return False
    return int(wait.cycles[-1]) - int(starts[-1]) > LONGEST_TIMER


def interrupt_never(evidence: Evidence) -> Iterator[Finding]:
    """The program lets interrupts in, then waits for what only a handler can change."""
    reading, program = evidence.reading, evidence.reading.program
    if (program.kind == Kind.IRQ).any() or not len(program):
        return
    level = reading.cycles.pin("IRQ")
    if (level == 0).any():
        return  # requested: the other rules judge it
    rows = np.flatnonzero(program.kind == Kind.INSTRUCTION)
    clear = (program.registers_known[rows, 4] & FLAG_I != 0) & (
        program.registers[rows, 4] & FLAG_I == 0
    )
    if not len(rows) or not clear[-1]:
        return
    since_row = rows[int(np.flatnonzero(~clear)[-1]) + 1] if not clear.all() else rows[0]
    wait = _final_wait(evidence)
    if (
        wait is None
        or not _long(evidence, wait)
        or wait.first_cycle < program.first_cycle[since_row]
    ):
        return
    drivers = int(evidence.replay.healthy.drivers[wait.cycles[0]])
    kinds = {int(evidence.replay.kind[bit]) for bit in range(32) if drivers >> bit & 1}
    if kinds != {RAM} and (drivers or wait.address >= STACK_END):
        return  # what is not RAM may change by itself
    sources = reading.board.irq_from
    names = ", ".join(
        f"{ref} ({chip.part})" if (chip := reading.board.chip(ref)).part != "custom" else ref
        for ref in sources
    )
    who = f"Its source: {names}." if names else "The board file names no source (irq.from)."
    captured = " IRQ stays high." if (level == 1).any() else " IRQ is not among the clips."
    yield Finding(
        rule="interrupt-never-comes",
        severity="oddity",
        lines=("IRQ",),
        chips=sources,
        cycles=tuple(int(cycle) for cycle in wait.cycles[:SHOWN]),
        opportunities=len(wait.cycles),
        count=len(wait.cycles),
        measured=f"${wait.address:04X} unchanged in {count_words(len(wait.cycles), 'look')} over "
        f"{_span(evidence, wait)}, interrupts enabled from cycle "
        f"{int(program.first_cycle[since_row]):,} on, none taken",
        expected="an interrupt, whose handler changes what the loop waits for",
        text=f"The program waits at ${wait.pc:04X} for ${wait.address:04X} to change, which only "
        f"an interrupt can do, and none comes.{captured} {who} A slow source, a 50 Hz tick "
        "for instance, may come after the capture's end.",
    )


RULES = (status_poll, interrupt_never)
