"""A rule about I/O chips that do not give what their makers' sheets say."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bustrace.findings.evidence import Evidence
from bustrace.findings.io_chips import register_name
from bustrace.findings.memory_rules import (
    byte_words,
    is_systematic,
    sole_driver,
    wrong_bits,
)
from bustrace.findings.model import Finding
from bustrace.units import count_words

FEWEST = 2
"""Wrong reads of one chip that are told, or wrong bits of reads that the CPU acted on: less may be
a stray sample."""


def io_content(evidence: Evidence) -> Iterator[Finding]:
    """A register gives what its sheet rules out, after what the program wrote."""
    replay = evidence.replay
    off = wrong_bits(evidence)
    for chip in replay.io_sheets:
        known = replay.healthy.expected_known & replay.data_known
        reads = sole_driver(evidence, chip) & (known != 0)
        wrong = reads & (off != 0)
        count = int(wrong.sum())
        acted = int(np.bitwise_count(off[wrong & evidence.acted_on]).sum())
        if max(count, acted) < FEWEST or not is_systematic(evidence, reads, wrong):
            continue
        ref = replay.chips[chip]
        part, size = (fitted := evidence.reading.board.chip(ref)).part, fitted.size
        at = np.flatnonzero(wrong)
        registers = np.unique(replay.offsets(chip, at))
        first = int(at[0])
        sheet = byte_words(
            int(replay.healthy.expected[first]), int(replay.healthy.expected_known[first])
        )
        name = register_name(part, size, int(replay.offsets(chip, at[:1])[0]))
        gave = f"gave ${int(replay.data[first]):02X}, its sheet says {sheet}"
        yield Finding(
            rule="io-content",
            severity="fault",
            chips=(ref,),
            cycles=evidence.show(wrong),
            opportunities=int(reads.sum()),
            count=count,
            measured=f"{count:,} of {count_words(int(reads.sum()), 'read')} that the sheet decides "
            f"differ, at {count_words(len(registers), 'register')}: {name} {gave}",
            expected=f"what the {part}'s sheet says after what was written; - is either",
            text=f"{ref} ({part}) does not do what its sheet says: {name} {gave}, after what the "
            f"program wrote ({count:,} of {count_words(int(reads.sum()), 'such read')} differ).",
        )


RULES = (io_content,)
