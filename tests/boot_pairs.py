"""Pairs of simulated boots, a good one and one with a fault, and what the fault did first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from drill_readings import FIXTURES, made_up

from bustrace.board import Board, load_board
from bustrace.cpu import variant_named
from bustrace.cycles import IN_RESET
from bustrace.drill import BusRecord, Display, sample, simulate
from bustrace.drill.model import control_lines
from bustrace.reading import Reading, read_boot

DEMO_BOARDS = ("tide_gauge", "kiln_control", "departure_board")
_RATES = (24_000_000, 25_000_000, 50_000_000)
_UGLY_RATES = (16_000_000, 20_000_000, *_RATES, 100_000_000)


@cache
def demo_board(name: str) -> Board:
    """A demo board by the name of its folder."""
    return load_board(FIXTURES / name / "board.toml")


@dataclass(frozen=True, slots=True)
class FirstAct:
    """The first cycle in which a fault shows at the clips, after the reset vector's read began.

    Attributes
    ----------
    cycle : int
        Of the reading; one after the last where the clock stops.
    columns : frozenset of str
        What differs from the same run without the fault: ``address data rw sync res irq nmi rdy
        selects``, ``clock``.
    """

    cycle: int
    columns: frozenset[str]


def faults_of(board: Board, rng: np.random.Generator) -> Iterator[str]:
    """One fault of every kind that the drill can plant on a board, lines and chips by chance."""
    chips = board.mapped
    memories = [chip.ref for chip in chips if chip.role in ("rom", "ram")]
    rams = [chip.ref for chip in chips if chip.role == "ram"]
    roms = [chip.ref for chip in chips if chip.role == "rom"]
    others = [chip.ref for chip in chips if chip.role == "io"]
    width = variant_named(board.cpu.variant).address_bits

    def line() -> int:
        return int(rng.integers(width))

    def bit() -> int:
        return int(rng.integers(8))

    def level() -> int:
        return int(rng.integers(2))

    def one(refs: list[str]) -> str:
        return refs[int(rng.integers(len(refs)))]

    for place in ("bus", "behind", "decoder", one(memories)):
        yield f"stuck:A{line()}={level()}@{place}"
    for place in ("bus", "behind", "read", "write", one(memories)):
        yield f"stuck:D{bit()}={level()}@{place}"
    low = int(rng.integers(width - 1))
    yield f"short:A{low}+A{low + 1}@bus"
    low = int(rng.integers(7))
    yield f"short:D{low}+D{low + 1}@bus"
    yield f"open:A{int(rng.integers(8))}@{one(rams)}"
    yield f"silent:{one(rams)}"
    yield f"silent:{one(roms)}"
    if others:
        yield f"silent:{one(others)}"
        yield f"always:{one([ref for ref in others if board.map.readers(ref).any()])}"
    yield f"doubled:{roms[0]}+{rams[0]}"
    yield f"doubled:{rams[0]}+{roms[0]}"
    yield f"content:{roms[0]}"
    yield f"plane:{one(rams)}.{bit()}"
    yield f"plane:{roms[0]}.{bit()}"
    yield f"cell:{rams[0]}.{int(rng.integers(8)):04X}.{bit()}={level()}"
    yield from ("clock:stops", "reset:held", "reset:repeats")
    yield from (f"held:{pin}=0" for pin in ("IRQ", "NMI", "RDY") if pin in control_lines(board))
    yield from ("stuck:RW=1@bus", "stuck:RW=0@behind")
    yield f"stuck:CS_{roms[0]}={level()}@decoder"
    yield f"stuck:CS_{rams[0]}={level()}@decoder"
    for state in board.state_bits:
        if state.source:
            yield f"register:{state.source}"


def some_board(number: int, folder: Path) -> Board:
    """A demo board, or for every other number a made-up one."""
    if number % 2:
        folder.mkdir(parents=True, exist_ok=True)
        return made_up(folder, number)
    return demo_board(DEMO_BOARDS[number // 2 % len(DEMO_BOARDS)])


def display_of(board: Board, rng: np.random.Generator) -> Display | None:
    """A display that holds BE as long as the board file allows, where it does."""
    held = next((hold.cycles for hold in board.holds if hold.line == "BE"), None)
    if held is None:
        return None
    every = int(rng.integers(4, 20)) * held
    return Display(every, held, 0x0400, int(rng.integers(16, 64)), int(rng.integers(every)))


def run_of(
    board: Board, rng: np.random.Generator, *faults: str, display: Display | None = None
) -> BusRecord:
    """A run with everything that may differ between boots drawn from `rng`."""
    return simulate(
        board,
        faults=faults,
        cycles=int(rng.integers(2500, 4000)),
        seed=int(rng.integers(2**31)),
        clock_hz=(board.clock_hz or Fraction(10**6)) * Fraction(int(rng.integers(90, 101)), 100),
        reset_low=((0, int(rng.integers(4, 40))),),
        display=display,
    )


def reading_of(record: BusRecord, rng: np.random.Generator) -> Reading:
    """A run as one of several analysers would see it."""
    rates = [rate for rate in _RATES if rate > 12 * record.clock_hz]
    capture = sample(
        record,
        rate=rates[int(rng.integers(len(rates)))],
        seed=int(rng.integers(2**31)),
        trigger=int(rng.integers(200)),
    )
    return read_boot(capture, record.board)


def ugly_reading(board: Board, rng: np.random.Generator) -> Reading:
    """A healthy boot with all that a bench adds: a clock that comes late, RES that chatters and
    bounces, a finger on the reset button, noise, a start in the midst, an undriven bus of either
    kind, another rate, cycles that a display steals.
    """
    cycles = int(rng.integers(2500, 4000))
    reset = [(0, int(rng.integers(3, 40)))]
    for _ in range(int(rng.integers(1, 4)) if rng.random() < 0.4 else 0):
        first = reset[-1][1] + int(rng.integers(1, 3))
        reset.append((first, first + int(rng.integers(1, 3))))
    if rng.random() < 0.2:
        pressed = int(rng.integers(600, cycles - 800))
        reset.append((pressed, pressed + int(rng.integers(20, 80))))
    record = simulate(
        board,
        cycles=cycles,
        seed=int(rng.integers(2**31)),
        clock_hz=(board.clock_hz or Fraction(10**6)) * Fraction(int(rng.integers(90, 101)), 100),
        reset_low=tuple(reset),
        display=display_of(board, rng),
        undriven="high" if rng.random() < 0.3 else "keeps",
    )
    rates = [rate for rate in _UGLY_RATES if rate > 12 * record.clock_hz]
    midst = int(rng.integers(200, cycles // 2)) if rng.random() < 0.15 else 0
    capture = sample(
        record,
        rate=rates[int(rng.integers(len(rates)))],
        seed=int(rng.integers(2**31)),
        trigger=int(rng.integers(200)),
        chatter=int(rng.integers(4)),
        lead_cycles=0.0 if midst else float(rng.choice([0, 0, 15, 120])),
        noise=float(rng.choice([0, 0, 1e-5, 2e-5])),
        start_cycle=midst,
    )
    return read_boot(capture, board)


def first_act(record: BusRecord, reading: Reading, rng: np.random.Generator) -> FirstAct | None:
    """What the faults of a run did first that no healthy boot could show; None without such.

    `rng` is one in the state in which `run_of` got it for `record`: the run is repeated without.
    Another byte counts where the healthy board's past decides it: from a ROM, from RAM that was
    written, from an I/O chip; not from RAM as it was at power-on, nor from where nobody answers.
    """
    board = record.board
    healthy = run_of(board, rng, display=display_of(board, rng))
    n = min(len(record), len(healthy))
    shift = _shift(record, reading)
    if "reset:held" in map(str, record.faults):
        return FirstAct(0, frozenset({"res"}))
    columns = {
        "address": "clip_address", "data": "clip_data", "rw": "rw", "sync": "sync", "res": "res",
        "irq": "irq", "nmi": "nmi", "rdy": "rdy", "selects": "selects",
    }  # fmt: skip
    differs = {
        name: getattr(record, column)[:n] != getattr(healthy, column)[:n]
        for name, column in columns.items()
    }
    own = healthy.be[:n] == 1
    for name in ("address", "data", "rw", "selects"):
        differs[name] &= own
    _leave_out_what_is_open(differs["data"], record, healthy)
    released = int(np.flatnonzero(healthy.res == 0)[-1]) + 1
    vector = healthy.cpu_address[released:] == board.address_mask & 0xFFFC
    reads_vector = released + int(np.argmax(vector))
    # Until the reset vector is read, the CPU shows what it had before.
    for name, column in differs.items():
        column[: released if name in ("irq", "nmi", "rdy") else reads_vector] = False
    where = np.flatnonzero(np.logical_or.reduce(list(differs.values())))
    if not len(where):
        stops = len(record) < len(healthy) and record.clock_ends
        return FirstAct(n - shift, frozenset({"clock"})) if stops else None
    cycle = int(where[0])
    seen = frozenset(name for name, column in differs.items() if column[cycle])
    return FirstAct(cycle - shift, seen)


def _leave_out_what_is_open(
    differs: npt.NDArray[np.bool_], record: BusRecord, healthy: BusRecord
) -> None:
    """Take out other bytes that hang on RAM at power-on, or on a bus that nobody drives.

    Once such a read has differed, what the CPU writes then may differ for that reason alone.
    """
    board = healthy.board
    rams = [(bit, chip.ref) for bit, chip in enumerate(board.mapped) if chip.role == "ram"]
    decided: set[tuple[str, int]] = set()
    first_seen: dict[tuple[str, int], int] = {}
    open_before = False
    for cycle in range(len(differs)):
        address, read = int(healthy.cpu_address[cycle]), int(healthy.cpu_rw[cycle])
        table = board.maps[int(healthy.state[cycle])]
        answers = int(table.responds[read, address]) if healthy.be[cycle] else 0
        places = {(ref, int(table.inner[bit, address])) for bit, ref in rams if answers >> bit & 1}
        byte = int(record.clip_data[cycle])
        if not read:
            may_differ = open_before and bool(differs[cycle])
            decided = decided - places if may_differ else decided | places
            # What a write left is what must come back, also where the byte itself was open.
            first_seen |= dict.fromkeys(places, byte)
        else:
            # Once read, a place must give the same byte again.
            changed = any(first_seen.get(place, byte) != byte for place in places - decided)
            may_differ = answers == 0 or not (places <= decided or changed)
            first_seen |= {place: byte for place in places - decided if place not in first_seen}
            differs[cycle] |= changed
        open_before |= may_differ and bool(differs[cycle])
        if may_differ:
            differs[cycle] = False


def _shift(record: BusRecord, reading: Reading) -> int:
    """Cycles of the run before the first of the reading."""
    best, found = -1, 0
    for shift in range(3):
        n = min(len(record) - shift, len(reading.cycles))
        if n <= 0:
            continue
        part = slice(shift, shift + n)
        cycles = reading.cycles
        mask = record.board.address_mask
        same = (cycles.data[:n] == record.clip_data[part]) & (
            cycles.address[:n] & mask == record.clip_address[part] & mask
        )
        same &= (cycles.flags[:n] & IN_RESET == 0) == record.res[part].astype(np.bool_)
        score = int(np.count_nonzero(same))
        if score > best:
            best, found = score, shift
    return found
