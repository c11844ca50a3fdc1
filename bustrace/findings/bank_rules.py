"""Reads that came from another bank than the one that the program had selected."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import wrong_bits
from bustrace.findings.model import Finding

READS = 8
"""Wrong reads that must all be another bank's bytes: 64 bits that fit are no accident."""

PLACES = 3
"""Different addresses, and different bytes, that must be among them."""

SHARE = 0.9
"""Share of a bank's wrong reads that the other bank must explain."""

Column = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Mixed:
    """One bank answered for another: maps of the replay, and the reads that show it."""

    selected: int
    answered: int
    reads: npt.NDArray[np.int64]


def _mixed(evidence: Evidence) -> Iterator[_Mixed]:
    replay = evidence.replay
    if len(replay.banks.states) < 2:
        return
    wrong = np.flatnonzero((wrong_bits(evidence) != 0) & (replay.data_known == 0xFF))
    bank = replay.healthy.bank
    for selected in np.unique(bank[wrong]).tolist():
        mine = wrong[bank[wrong] == selected]
        best = mine[:0], selected
        for other in range(len(replay.banks.states)):
            given = replay.rom_bytes(other, replay.address[mine])
            hits = mine[given == replay.data[mine]]
            if other != selected and len(hits) > len(best[0]):
                best = hits, other
        hits, other = best
        enough = len(hits) >= max(READS, SHARE * len(mine))
        places = len(np.unique(replay.address[hits]))
        if enough and min(places, len(np.unique(replay.data[hits]))) >= PLACES:
            yield _Mixed(selected, other, hits)


def from_another_bank(evidence: Evidence) -> Column:
    """Wrong reads that are another bank's bytes: bool, shape (n,)."""
    found = np.zeros(evidence.n, dtype=np.bool_)
    for mixed in _mixed(evidence):
        found[mixed.reads] = True
    return found


def bank_state(evidence: Evidence) -> Iterator[Finding]:
    """The program selected one bank, and another one answered."""
    board, replay = evidence.reading.board, evidence.replay
    found = list(_mixed(evidence))
    if not found:
        return
    states = replay.banks.states
    differ = int(np.bitwise_or.reduce([states[m.selected] ^ states[m.answered] for m in found]))
    bits = [bit for index, bit in enumerate(board.state_bits) if differ >> index & 1]
    reads = np.zeros(evidence.n, dtype=np.bool_)
    asked = np.zeros(evidence.n, dtype=np.bool_)
    for mixed in found:
        reads[mixed.reads] = True
        asked |= (replay.healthy.bank == mixed.selected) & (replay.read == 1) & evidence.owned
    differing = np.flatnonzero(asked & (replay.healthy.expected_known == 0xFF))
    told = np.zeros(evidence.n, dtype=np.bool_)
    for mixed in found:
        here = differing[replay.healthy.bank[differing] == mixed.selected]
        given = replay.rom_bytes(mixed.answered, replay.address[here])
        told[here] = (given >= 0) & (given != replay.healthy.expected[here])
    first = int(np.flatnonzero(reads)[0])
    changed = np.flatnonzero(replay.state[1 : first + 1] != replay.state[:first])
    since = f", since cycle {int(changed[-1]) + 1:,}" if len(changed) else ""
    pairs = "; ".join(
        f"{_named(evidence, m.answered)} where {_named(evidence, m.selected)} is selected"
        for m in found[:3]
    )
    names = " and ".join(bit.name for bit in bits)
    yield Finding(
        rule="bank-wrong",
        severity="fault",
        chips=_chips(evidence, found, {bit.source for bit in bits if bit.source is not None}),
        cycles=evidence.show(reads),
        opportunities=int((told | reads).sum()),
        count=int(reads.sum()),
        measured=f"{int(reads.sum()):,} of {int((told | reads).sum()):,} reads that tell the banks "
        f"apart give the bytes of {pairs}",
        expected=f"the bytes of the bank that the program selected{since}",
        text=f"Reads come from another bank than the program selected: {names} "
        f"{'does' if len(bits) == 1 else 'do'} not arrive at the chips as set "
        f"(${int(replay.address[first]):04X} gave ${int(replay.data[first]):02X}, expected "
        f"${int(replay.healthy.expected[first]):02X}).",
    )


def _named(evidence: Evidence, bank: int) -> str:
    """``B0=1 B1=0``: the state bits of a map that matter."""
    state, matters = int(evidence.replay.banks.states[bank]), evidence.replay.banks.matters
    return " ".join(
        f"{bit.name}={state >> index & 1}"
        for index, bit in enumerate(evidence.reading.board.state_bits)
        if matters >> index & 1
    )


def _chips(evidence: Evidence, found: list[_Mixed], holders: set[str]) -> tuple[str, ...]:
    """What holds the bits, then the chips that answered."""
    banks = evidence.replay.banks
    drivers = 0
    for mixed in found:
        rows = banks.rows[mixed.answered, evidence.replay.address[mixed.reads]]
        drivers |= int(np.bitwise_or.reduce(banks.responds[rows, 1]))
    answering = [ref for bit, ref in enumerate(evidence.replay.chips) if drivers >> bit & 1]
    return (*sorted(holders), *answering)


RULES = (bank_state,)
