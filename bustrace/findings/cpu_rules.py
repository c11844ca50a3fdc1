"""Rules about the CPU itself: it does something else than its sheet says of what it read."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.memory_rules import wrong_bits
from bustrace.findings.model import Finding
from bustrace.findings.select_rules import expected_selects
from bustrace.program import Departure
from bustrace.units import count_words

FEWEST = 3
"""Times that it must show, to be no stray level at the CPU's pins."""

SEVERAL_BITS = 3
"""Bits that differ in one write: a stray sample is one."""

MOSTLY_KNOWN = 0.8
"""Share of all reads whose byte must be known, to say that the CPU was given the right ones."""

_FLAGS = {0x80: "N", 0x40: "V", 0x02: "Z", 0x01: "C"}


def breaks_its_sheet(evidence: Evidence) -> Iterator[Finding]:
    """The program is followed to the end only by a CPU that always errs in one way."""
    reading = evidence.reading
    departure = reading.program.departure
    if departure is None:
        return
    cycles = np.array([cycle for cycle in departure.cycles if cycle < evidence.n], dtype=np.int64)
    if not len(cycles):
        return
    address = reading.program.intent.address[cycles]
    places = len(np.unique(address))
    healthy, data = evidence.replay.healthy, evidence.replay.data
    wrong = (healthy.expected[cycles] ^ data[cycles]) & healthy.expected_known[cycles]
    given = bool((healthy.expected_known[cycles] == 0xFF).all() and not wrong.any())
    where = count_words(places, "address", "addresses")
    often = f"{count_words(len(cycles), 'time')}, at {where}"
    does = _does(departure, reading.board.cpu.variant)
    doubt = ""
    off = wrong != 0
    as_done = off & (healthy.expected[cycles] == departure.obeyed(data[cycles]))
    # Of an image that is another revision, some bytes are what was done by chance.
    by_clip = 2 * as_done.sum() > off.sum()
    if by_clip:
        doubt = " There the clip's bytes are not the ROM's: the clip may be what errs."
    # What two chips drive is one level for the clip and may be another for the CPU.
    fought = not by_clip and bool(_amid_two_selected(evidence, cycles).all())
    if fought:
        doubt = " Each time two chips were selected at once: the CPU may see another level then."
    # At one address a loop shows one thing again and again.
    one_byte = not by_clip and not fought and places == 1 and bool(off.all())
    if one_byte:
        doubt = " There the byte is not the ROM's: the CPU may see another level than the clip."
    doubtful = by_clip or fought or one_byte
    seldom = len(cycles) < FEWEST
    who = "The CPU breaks its data sheet, always in one way"
    if seldom:
        who = "The CPU did not do what it read"
        other = "A marginal level at its pins" + ("" if given else ", or a stray sample,")
        doubt += f" {other} does so, too."
    yield Finding(
        rule="cpu-departs",
        severity="oddity" if doubtful or (seldom and not given) else "fault",
        chips=(reading.board.cpu.ref,),
        cycles=tuple(cycles[:SHOWN].tolist()),
        opportunities=int((reading.program.kind == 0).sum()),
        count=len(cycles),
        measured=f"{does}; {often}" + ("; the clip saw what the ROM holds" if given else ""),
        expected="every instruction as the CPU's data sheet has it",
        text=f"{who}: {does} ({often}). With that, all else it did follows from what it read."
        f"{doubt}",
    )


def _amid_two_selected(evidence: Evidence, fetches: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Whether a chip was seen selected, besides the one that was addressed, in a read of each of
    the instructions that begin in these cycles: bool, shape (len(fetches),).
    """
    program, cycles, n = evidence.reading.program, evidence.reading.cycles, evidence.n
    besides = np.zeros(n, np.bool_)
    for ref in cycles.select_names:
        if ref in evidence.replay.chips:
            wanted, by_clip, sure = expected_selects(evidence, evidence.replay.chips.index(ref))
            besides |= sure & ~wanted & ~by_clip & (cycles.select(ref)[:n] == 1)
    besides &= (evidence.replay.read == 1) & (evidence.replay.healthy.drivers != 0)
    met = np.concatenate([[0], np.cumsum(besides)])
    rows = np.searchsorted(program.first_cycle, fetches)
    ends = np.minimum(fetches + program.length[rows], n)
    among: npt.NDArray[np.bool_] = met[ends] > met[fetches]
    return among


def writes_otherwise(evidence: Evidence) -> Iterator[Finding]:
    """A byte written that does not follow from what was read, where all that was read is right: no
    line makes some bits higher and others lower in one write.
    """
    reading, replay = evidence.reading, evidence.replay
    program, n = reading.program, evidence.n
    if program.departure is not None or program.read_corrections:
        return
    reads = (replay.read == 1) & evidence.live & (replay.address >= 0)
    told = replay.healthy.expected_known == 0xFF
    if (wrong_bits(evidence) != 0).any() or told[reads].sum() < MOSTLY_KNOWN * reads.sum():
        return
    off, seen = evidence.data_off, replay.data
    several = np.bitwise_count(off) >= SEVERAL_BITS
    mixed = (off & seen != 0) & (off & ~seen != 0)
    cycles = np.flatnonzero(several & mixed & (replay.read == 0))
    if not len(cycles) or (np.bitwise_count(off[off != 0]) < SEVERAL_BITS).any():
        return
    at = int(cycles[0])
    meant, wrote = int(program.intent.data[at]), int(seen[at])
    writes = int((program.intent.data_known[:n] == 0xFF).sum())
    count = len(cycles)
    yield Finding(
        rule="cpu-departs",
        severity="oddity",
        chips=(reading.board.cpu.ref,),
        cycles=tuple(cycles[:SHOWN].tolist()),
        opportunities=max(writes, count),
        count=count,
        measured=f"${wrote:02X} written in cycle {at:,}, which what it read makes ${meant:02X}",
        expected="every instruction as the CPU's data sheet has it",
        text=f"In {count_words(count, 'write')} the CPU gave another byte than what it read makes "
        f"(first ${wrote:02X} in place of ${meant:02X}, in cycle {at:,}), and all that it read is "
        "as the chips hold it: the CPU may have erred, in a flag or in arithmetic.",
    )


def _does(departure: Departure, part: str) -> str:
    if departure.flag:
        level = "set" if departure.level else "clear"
        return f"its flag {_FLAGS[departure.flag]} is always {level}"
    named = {op.opcode: op.mnemonic for op in variant_named(part).opcodes()}
    had, did = (f"${op:02X} ({named[op]})" for op in (departure.opcode, departure.taken_for))
    return f"it obeys {had} as another instruction, such as {did}"


RULES = (breaks_its_sheet, writes_otherwise)
