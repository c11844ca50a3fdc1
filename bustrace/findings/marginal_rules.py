"""Rules about levels that the CPU took otherwise than the clip saw them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.hookup import DATA_PINS
from bustrace.units import count_words

FEWEST = 4
"""Reads, at three addresses or more, that make a line rather than stray samples."""

SHARE = 0.75
"""Share of all such reads that must lie on the one line."""


def taken_otherwise(evidence: Evidence) -> npt.NDArray[np.uint8]:
    """Bits of reads that the clip saw right and the CPU took for the other level: uint8, (n,).

    Judged where the board tells which level is right.
    """
    healthy = evidence.replay.healthy
    bits = np.zeros(evidence.n, dtype=np.uint8)
    for fix in evidence.reading.program.read_corrections:
        if fix.cycle < evidence.n:
            known = int(healthy.expected_known[fix.cycle])
            right = ~(fix.seen ^ int(healthy.expected[fix.cycle])) & known
            bits[fix.cycle] |= (fix.seen ^ fix.believed) & right
    return bits


def marginal_lines(evidence: Evidence) -> Iterator[Finding]:
    """Reads of which the CPU must have seen another byte than the clip: one line, or noise."""
    fixes = [f for f in evidence.reading.program.read_corrections if f.cycle < evidence.n]
    if not fixes:
        return
    cycles = np.array([f.cycle for f in fixes], dtype=np.int64)
    off = np.array([f.seen ^ f.believed for f in fixes], dtype=np.uint8)
    hits = [int((off >> bit & 1).sum()) for bit in range(8)]
    bit = int(np.argmax(hits))
    mine = np.sort(cycles[off == 1 << bit])
    places = len(np.unique(evidence.replay.address[mine]))
    if len(mine) < FEWEST or places < 3 or len(mine) < SHARE * len(fixes):
        yield _noise(evidence, np.unique(cycles))
        return
    pin = DATA_PINS[bit]
    by_cpu = int((taken_otherwise(evidence)[mine] >> bit & 1 == 1).sum())
    healthy = evidence.replay.healthy
    known = (healthy.expected_known[mine] >> bit & 1) == 1
    by_clip = int(known.sum()) - by_cpu
    if by_cpu >= FEWEST and by_cpu > by_clip:
        severity, who = "fault", (
            "The clip saw what the chips hold, so the CPU's own input is in doubt: its socket and "
            "joint there, or a level between low and high."
        )  # fmt: skip
    elif by_clip > by_cpu:
        severity, who = "oddity", (
            "The CPU took what the chips hold, so it is the clip: seat it again, and its ground."
        )  # fmt: skip
    else:
        severity, who = "oddity", (
            "Nothing tells which of them is right: seat the clip again, then look at the level "
            "with a scope at the CPU's pin: it must be below 0.8 V or above 2.0 V (TTL)."
        )  # fmt: skip
    reads = count_words(len(mine), "read")
    yield Finding(
        rule="line-marginal",
        severity="fault" if severity == "fault" else "oddity",
        lines=(pin,),
        cycles=tuple(int(cycle) for cycle in mine[:SHOWN]),
        opportunities=int((evidence.owned & (evidence.replay.read == 1)).sum()),
        count=len(mine),
        measured=f"in {reads}, at {count_words(places, 'address', 'addresses')}, the CPU acted on "
        f"the other level of {pin} than the clip saw; {by_cpu} times the clip had the chip's "
        f"level, {by_clip} times the CPU",
        expected="clip and CPU see the same levels",
        text=f"In {reads} the CPU acted on another level of {pin} than the clip saw. {who}",
    )


def _noise(evidence: Evidence, cycles: npt.NDArray[np.int64]) -> Finding:
    reads = count_words(len(cycles), "read")
    return Finding(
        rule="reads-in-doubt",
        severity="note",
        lines=(),
        cycles=tuple(int(cycle) for cycle in cycles[:SHOWN]),
        opportunities=int((evidence.owned & (evidence.replay.read == 1)).sum()),
        count=len(cycles),
        measured=f"{reads} in which the CPU acted on another byte than the clip saw, on no line "
        "in particular",
        expected="clip and CPU see the same bytes",
        text=f"In {reads} the CPU acted on another byte than the clip saw, on no line in "
        "particular: stray samples.",
    )


RULES = (marginal_lines,)
