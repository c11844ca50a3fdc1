"""What SYNC tells of address lines where nobody could follow the program."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.line_rules import ENOUGH, one_level
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS


def stuck_by_steps(evidence: Evidence) -> Iterator[Finding]:
    """An address line that never moves, though the byte behind an opcode needs its other level.

    A CPU reads the byte behind an opcode next, whatever the opcode, or the same address again where
    it takes an interrupt (MCS6500 Hardware Manual, appendix A). Where the program was followed it
    says so itself.
    """
    reading, n = evidence.reading, evidence.n
    cycles = reading.cycles
    followed = reading.program.intent.sync[:n] < 2
    if followed.any() or not reading.hookup.has("SYNC"):
        return
    address, known = cycles.address[:n], cycles.address_known[:n] == 0xFFFF
    sync, usable = cycles.pin("SYNC")[:n], evidence.live & known
    at = np.flatnonzero((sync[:-1] == 1) & (sync[1:] == 0) & usable[:-1] & usable[1:])
    behind, got = (address[at] + 1) & 0xFFFF, address[at + 1]
    for bit, pin in enumerate(ADDRESS_PINS):
        levels = address[usable] >> bit & 1
        if not len(levels) or not one_level(levels):
            continue
        level = int(levels[0])
        asked = (behind >> bit & 1 != level) & (got != address[at])
        # Where the line had been at its other level already, the carry went on above it.
        off = asked & ((behind ^ got) & ((2 << bit) - 1) == 1 << bit)
        places = len(np.unique(address[at[off]]))
        count, opportunities = int(off.sum()), int(asked.sum())
        if places < ENOUGH or count < opportunities / 2:
            continue
        yield Finding(
            rule="line-stuck",
            severity="fault",
            lines=(pin,),
            cycles=tuple((at[off][:SHOWN] + 1).tolist()),
            opportunities=opportunities,
            count=count,
            measured=f"{pin} is {level} in {count:,} of {opportunities:,} reads of the byte behind "
            f"an opcode that need the other level, at {places} addresses, and never moves",
            expected=f"{1 - level} there",
            text=f"{pin} is always {level}: in {count:,} of {opportunities:,} cycles it should be "
            f"{1 - level}, for the byte behind an opcode is read next.",
        )


RULES = (stuck_by_steps,)
