"""Boots of simulated boards, sampled and read: what the tests of findings and diagnosis judge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from bustrace.board import Board, load_board
from bustrace.capture.model import Capture
from bustrace.diagnosis import Diagnosis, Suspect
from bustrace.drill import BusRecord, line_names, make_board, sample, simulate
from bustrace.faults import Fault
from bustrace.findings import Finding
from bustrace.reading import Reading, read_boot

REPOSITORY = Path(__file__).resolve().parent.parent
FIXTURES = REPOSITORY / "fixtures"

BUSES = ("PHI2", "RW", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))
Span = tuple[int, int]
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


def undumped(*faults: str | Fault, seed: int = 5, cycles: int = 4000, **options: Any) -> Reading:
    """A boot of the demo board, judged without its ROM image."""
    board = tide_gauge()
    chips = tuple(replace(chip, images=()) for chip in board.chips)
    record = run(*faults, seed=seed, cycles=cycles)
    return read(record, board=replace(board, chips=chips), seed=seed, **options)


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


def redrawn(capture: Capture, line: str, spans: Iterable[Span], level: int | None) -> Capture:
    """The same capture with one line at a level, or the other way round for None, in spans of ps.

    So does a clip that slips for a while, or a spike that hits one probe.
    """
    spans = list(spans)
    bit = np.uint64(1 << capture.lines.index(line))
    marks = np.array([mark for span in spans for mark in span], dtype=np.int64)
    marks = marks[(marks > capture.start_ps) & (marks < capture.end_ps)]
    time_ps = np.union1d(capture.time_ps, marks)
    state = capture.state[np.searchsorted(capture.time_ps, time_ps, side="right") - 1]
    inside = np.zeros(len(time_ps), dtype=np.bool_)
    for start, end in spans:
        inside |= (time_ps >= start) & (time_ps < end)
    drawn = state ^ bit if level is None else state | bit if level else state & ~bit
    state = np.where(inside, drawn, state)
    kept = np.append(True, state[1:] != state[:-1])
    return replace(capture, time_ps=time_ps[kept], state=state[kept], known=None)


def at_cycles(reading: Reading, cycles: Iterable[int]) -> list[Span]:
    """Spans of ps from the rise of phase 2 in these cycles to just after its fall."""
    rise, fall = reading.cycles.rise_ps, reading.cycles.time_ps
    return [(int(rise[k]), int(fall[k]) + 60_000) for k in cycles]


def reread(
    reading: Reading, line: str, level: int | None, cycles: Iterable[int] | None = None
) -> Reading:
    """Read again with a line redrawn, in some cycles or in all the capture."""
    capture = reading.capture
    everywhere = [(capture.start_ps, capture.end_ps)]
    spans = everywhere if cycles is None else at_cycles(reading, cycles)
    return read_boot(redrawn(capture, line, spans, level), reading.board)


def made_up(folder: Path, seed: int) -> Board:
    """A made-up board, written to a folder and loaded."""
    made = make_board(np.random.default_rng(seed))
    (folder / "board.toml").write_text(made.toml, encoding="utf-8", newline="\n")
    (folder / "rom.bin").write_bytes(made.rom)
    return load_board(folder / "board.toml")
