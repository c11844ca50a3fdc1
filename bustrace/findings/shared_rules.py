"""Causes that several parts share: a bank of RAM, a decoder, a rail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from bustrace.board import Board
from bustrace.findings._kernels import IO
from bustrace.findings.evidence import Evidence
from bustrace.findings.model import Finding

PART_RULES = frozenset(
    {"memory-unanswered", "io-unanswered", "ram-content", "rom-content", "select-missing"}
)
"""Rules that blame one chip; when they blame a whole group, the group's cause is likelier."""

TOUCHED = 8
"""Reads from which a chip counts as tried."""


def ram_banks(board: Board) -> list[tuple[str, ...]]:
    """Groups of RAM chips that share addresses, each with some of the data lines."""
    table = board.map
    groups: dict[bytes, list[str]] = {}
    for chip, ref in enumerate(table.chips):
        if board.chip(ref).role == "ram" and table.data_masks[chip] != 0xFF:
            where = (table.responds[1] >> np.uint32(chip) & np.uint32(1)).astype(np.uint8)
            groups.setdefault(np.packbits(where).tobytes(), []).append(ref)
    return [tuple(refs) for refs in groups.values() if len(refs) > 1]


def served_by_decoders(board: Board) -> list[tuple[str, tuple[str, ...]]]:
    """Decoders with the chips of the address map that they select."""
    served = []
    for decoder in board.decoders:
        named = {ref for output in decoder.outputs for ref in output.chips}
        for chip in board.mapped:
            nets = [net for pin in chip.decoding.enable for net in pin.nets]
            if any(net.kind == "output" and net.chip == decoder.ref for net in nets):
                named.add(chip.ref)
        refs = tuple(ref for ref in board.map.chips if ref in named)
        if len(refs) > 1:
            served.append((decoder.ref, refs))
    return served


def behind_buffers(board: Board) -> list[tuple[str, tuple[str, ...]]]:
    """Buffers of the data bus with the chips of the address map behind them."""
    behind = []
    for buffer in board.buffers:
        refs = tuple(ref for ref in board.map.chips if ref in buffer.to)
        if buffer.data_mask and len(refs) > 1:
            behind.append((buffer.ref, refs))
    return behind


def on_rails(board: Board) -> list[tuple[str, tuple[str, ...]]]:
    """Rails with the chips of the address map on them, where not all chips are."""
    on: dict[str, list[str]] = {}
    for chip in board.mapped:
        for rail in chip.rails:
            on.setdefault(rail, []).append(chip.ref)
    return [(rail, tuple(refs)) for rail, refs in on.items() if 1 < len(refs) < len(board.mapped)]


def _tried(evidence: Evidence, ref: str) -> bool:
    """Whether a memory was read often enough to be judged; what registers give proves little."""
    chip = evidence.replay.chips.index(ref)
    driven = evidence.replay.healthy.drivers >> np.uint32(chip) & np.uint32(1) == 1
    return evidence.replay.kind[chip] != IO and int((driven & evidence.live).sum()) >= TOUCHED


def shared_cause(evidence: Evidence, found: Sequence[Finding]) -> Iterator[Finding]:
    """One finding for a group of which every tried chip is at fault.

    Parameters
    ----------
    evidence : Evidence
    found : sequence of Finding
        What the rules about single chips found.
    """
    board, replay = evidence.reading.board, evidence.replay
    bad = {
        ref: finding
        for finding in found
        if finding.rule in PART_RULES and finding.severity == "fault"
        for ref in finding.chips
    }
    told: list[set[str]] = []
    groups = [("RAM bank", "", refs) for refs in ram_banks(board)]
    groups += [("decoder", name, refs) for name, refs in served_by_decoders(board)]
    groups += [("buffer", name, refs) for name, refs in behind_buffers(board)]
    groups += [("rail", name, refs) for name, refs in on_rails(board)]
    for kind, name, refs in groups:
        judged = [ref for ref in refs if ref in bad or _tried(evidence, ref)]
        others = [ref for ref in replay.chips if ref not in refs and _tried(evidence, ref)]
        if len(judged) < 2 or not all(ref in bad for ref in judged):
            continue
        if set(judged) in told:
            continue
        if kind == "rail" and (not others or any(ref in bad for ref in others)):
            continue  # the rail does not tell them from the rest
        if kind in ("decoder", "buffer") and not _same_way([bad[ref] for ref in judged]):
            continue
        told.append(set(judged))
        yield _folded(kind, name, judged, [bad[ref] for ref in judged])


def _same_way(findings: Sequence[Finding]) -> bool:
    """Whether chips fail as chips do that are never selected."""
    return all(f.rule in ("memory-unanswered", "io-unanswered", "select-missing") for f in findings)


def _folded(kind: str, name: str, refs: list[str], parts: Sequence[Finding]) -> Finding:
    chips = f"{', '.join(refs[:-1])} and {refs[-1]}"
    if kind == "RAM bank":
        what = f"Every chip of the RAM bank fails ({chips})"
        cause = "their supply, RAS and CAS, the address multiplexer, refresh, or their select"
        label = "the bank"
    elif kind == "decoder":
        what = f"{chips} all fail to answer, and {name} selects them all"
        cause = f"the supply, the enables or the inputs of {name}"
        label = name
    elif kind == "buffer":
        what = f"{chips} all fail to answer, and all drive through {name}"
        cause = f"the supply, the enable or the direction of {name}"
        label = name
    else:
        what = f"{chips} all fail, and they are the chips on {name}; the others are right"
        cause = f"{name}: measure it at their pins"
        label = name
    unique = list({id(part): part for part in parts}.values())
    cycles = sorted({cycle for part in unique for cycle in part.cycles})
    return Finding(
        rule="shared-cause",
        severity="fault",
        chips=tuple(refs),
        cycles=tuple(cycles[:32]),
        opportunities=sum(part.opportunities for part in unique),
        count=sum(part.count for part in unique),
        measured=f"{len(refs)} of {len(refs)} chips of {label} that were tried are at fault",
        expected="chips fail one at a time",
        text=f"{what}. One cause that they share is likelier than {len(refs)} bad chips: {cause}.",
    )
