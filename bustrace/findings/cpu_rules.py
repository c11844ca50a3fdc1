"""Rules about the CPU itself: it does something else than its sheet says of what it read."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bustrace.cpu import variant_named
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.program import Departure
from bustrace.units import count_words

FEWEST = 3
"""Times that it must show, to be no stray level at the CPU's pins."""

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
    where = count_words(places, "address", "addresses")
    often = f"{count_words(len(cycles), 'time')}, at {where}"
    does = _does(departure, reading.board.cpu.variant)
    doubt = ""
    if (wrong != 0).any():
        doubt = " There the clip's bytes are not the ROM's: the clip may be what errs."
    yield Finding(
        rule="cpu-departs",
        severity="oddity" if doubt or len(cycles) < FEWEST else "fault",
        chips=(reading.board.cpu.ref,),
        cycles=tuple(cycles[:SHOWN].tolist()),
        opportunities=int((reading.program.kind == 0).sum()),
        count=len(cycles),
        measured=f"{does}; {often}",
        expected="every instruction as the CPU's data sheet has it",
        text=f"The CPU breaks its data sheet, always in one way: {does} ({often}). With that, all "
        f"else it did follows from what it read.{doubt}",
    )


def _does(departure: Departure, part: str) -> str:
    if departure.flag:
        level = "set" if departure.level else "clear"
        return f"its flag {_FLAGS[departure.flag]} is always {level}"
    named = {op.opcode: op.mnemonic for op in variant_named(part).opcodes()}
    had, did = (f"${op:02X} ({named[op]})" for op in (departure.opcode, departure.taken_for))
    return f"it obeys {had} as if it were {did}"


RULES = (breaks_its_sheet,)
