"""Boots of simulated boards, sampled and read: what the tests of findings and diagnosis judge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from bustrace.board import Board, load_board
from bustrace.diagnosis import Diagnosis, Suspect
from bustrace.drill import BusRecord, line_names, sample, simulate
from bustrace.faults import Fault
from bustrace.findings import Finding
from bustrace.reading import Reading, read_boot

REPOSITORY = Path(__file__).resolve().parent.parent
FIXTURES = REPOSITORY / "fixtures"

BUSES = ("PHI2", "RW", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))
TRIAGE = ("PHI2", "RES", "RW", "SYNC", "IRQ", "RDY", "CS_ROM", "D0")
"""Eight lines for a first look."""

SAMPLE_OPTIONS = {
    "rate", "skew_ps", "noise", "start_cycle", "lead_cycles", "chatter", "transients", "trigger",
}  # fmt: skip


@cache
def tide_gauge() -> Board:
    """The demo board: U4 RAM, U5 ROM, U6 port and timer, U7 latch, U2 decoder, U1 CPU."""
    return load_board(FIXTURES / "tide_gauge" / "board.toml")


def run(*faults: str | Fault, board: Board | None = None, **options: Any) -> BusRecord:
    """Simulate some 2,500 cycles of a boot with faults planted."""
    options = {"cycles": 2500, "seed": 5} | options
    return simulate(board or tide_gauge(), faults=faults, **options)


def read(
    record: BusRecord,
    *,
    board: Board | None = None,
    lines: Sequence[str] | None = None,
    without: Iterable[str] = (),
    seed: int = 5,
    **sampling: Any,
) -> Reading:
    """Sample a run and read it; `without` leaves lines unclipped, `board` judges by another."""
    dropped = set(without)
    kept = tuple(line for line in lines or line_names(record) if line not in dropped)
    sampling = {"rate": 24_000_000} | sampling
    capture = sample(record, lines=kept, seed=seed, **sampling)
    return read_boot(capture, board or record.board)


def boot(
    *faults: str | Fault,
    board: Board | None = None,
    lines: Sequence[str] | None = None,
    without: Iterable[str] = (),
    seed: int = 5,
    **options: Any,
) -> Reading:
    """Simulate, sample and read a boot; options go to the simulation or to the sampling."""
    sampling = {name: options.pop(name) for name in tuple(options) if name in SAMPLE_OPTIONS}
    record = run(*faults, board=board, seed=seed, **options)
    return read(record, lines=lines, without=without, seed=seed, **sampling)


def rules(findings: Iterable[Finding], *severities: str) -> set[str]:
    """Ids of the rules that found something, of these severities or of all."""
    return {f.rule for f in findings if not severities or f.severity in severities}


def only(findings: Iterable[Finding], rule: str) -> Finding:
    """The one finding of a rule."""
    found = [finding for finding in findings if finding.rule == rule]
    assert len(found) == 1, f"{len(found)} findings of {rule}: {found}"
    return found[0]


def members(suspect: Suspect) -> set[str]:
    """Ids of a suspect's class."""
    return {str(fault) for fault in (suspect.fault, *suspect.alike)}


def first_class(diagnosis: Diagnosis) -> set[str]:
    """Ids of the first suspect's class; empty without suspects."""
    return members(diagnosis.suspects[0]) if diagnosis.suspects else set()


def complaints(diagnosis: Diagnosis) -> list[str]:
    """What a diagnosis holds against a board."""
    found = [f"{f.rule}: {f.text}" for f in diagnosis.findings if f.severity == "fault"]
    return found + [str(suspect.fault) for suspect in diagnosis.suspects]
