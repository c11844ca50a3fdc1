"""Healthy boots of many kinds, for which nothing may be reported."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from bustrace.board import Board, load_board
from bustrace.drill.dialects import DIALECTS, NAMING, export
from bustrace.drill.firmware import make_board
from bustrace.drill.model import BusRecord, Display, address_lines, control_lines
from bustrace.drill.nets import DATA
from bustrace.drill.nuisances import draw_nuisances
from bustrace.drill.sample import sample
from bustrace.drill.simulate import RESET_LOW, simulate
from bustrace.drill.waveform import line_names

_SLOW_CLOCKS = (Fraction(1_000_000), Fraction(1_000_000), Fraction(1_022_727), Fraction(894_886))
_FAST_CLOCKS = (Fraction(2_000_000), Fraction(1_789_773))
_SLOW_RATES = (16_000_000, 20_000_000, 24_000_000, 25_000_000, 50_000_000, 100_000_000)
# A 2 MHz part keeps read data 60 ns around the fall: 16.7 MS/s is the least that always sees them.
_FAST_RATES = (24_000_000, 50_000_000, 100_000_000)
_EVERY_SAMPLE = ("csv samples", "csv rate only", "csv every sample")
_BUS_COLUMNS = ("vcd vectors", "csv hex", "tsv binary")


@dataclass(frozen=True, slots=True)
class HealthyBoot:
    """One healthy boot on disk.

    Attributes
    ----------
    board_path, capture_path : Path
    record : BusRecord
        The truth.
    start_cycle : int
        Cycle in which the recording starts; 0 has the reset in view.
    reaches_main_loop : bool
        Within the recording.
    about : str
        Clock, rate, dialect and peculiarities, for the message of a failed test.
    """

    board_path: Path
    capture_path: Path
    record: BusRecord
    start_cycle: int
    reaches_main_loop: bool
    about: str


def healthy_boots(folder: Path, count: int, seed: int = 0) -> Iterator[HealthyBoot]:
    """Write `count` boards and captures below `folder`, all different, all healthy.

    They vary in firmware, memory map, clock, rate, lines, names, dialect, content of RAM at
    power-on, length of the reset, chatter on it, clocks that come late, recordings that start in
    the midst, buses, inputs and clocks (`bustrace.drill.nuisances`).
    """
    for number in range(count):
        yield _healthy_boot(folder / f"boot_{number:03}", np.random.default_rng((seed, number)))


def _healthy_boot(folder: Path, rng: np.random.Generator) -> HealthyBoot:
    made = make_board(rng)
    folder.mkdir(parents=True, exist_ok=True)
    board_path = folder / "board.toml"
    board_path.write_text(made.toml, encoding="utf-8", newline="\n")
    (folder / "rom.bin").write_bytes(made.rom)
    board = load_board(board_path)

    fast = bool(rng.random() < 0.3)
    clocks = _FAST_CLOCKS if fast else _SLOW_CLOCKS
    clock = clocks[int(rng.integers(len(clocks)))]
    return _recorded(folder, board_path, board, clock, made.main_loop, rng)


def healthy_boots_of(
    board_path: Path, main_loop: int, folder: Path, count: int, seed: int = 0
) -> Iterator[HealthyBoot]:
    """Write `count` captures of one board below `folder`, all different, all healthy.

    They vary as `healthy_boots` do, firmware, map and clock excepted. Where the board file says
    that BE is normally held, a display takes the bus for so many cycles.

    Parameters
    ----------
    board_path : Path
        The board file; it tells the clock, and every ROM has an image.
    main_loop : int
        Address of the main loop's first instruction, as the CPU's pins show it.
    """
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        board = load_board(board_path)
        into = folder / f"boot_{number:03}"
        into.mkdir(parents=True, exist_ok=True)
        clock = board.clock_hz or _SLOW_CLOCKS[0]
        yield _recorded(into, board_path, board, clock, main_loop, rng, _display(board, rng))


def _display(board: Board, rng: np.random.Generator) -> Display | None:
    """A display that holds BE as long as the board file allows."""
    held = next((hold.cycles for hold in board.holds if hold.line == "BE"), None)
    if held is None:
        return None
    every = int(rng.integers(4, 20)) * held
    return Display(every, held, 0x0400, int(rng.integers(16, 64)), int(rng.integers(every)))


def _recorded(
    folder: Path,
    board_path: Path,
    board: Board,
    clock: Fraction,
    main_loop: int,
    rng: np.random.Generator,
    display: Display | None = None,
) -> HealthyBoot:
    rates = _FAST_RATES if clock > 1_100_000 else _SLOW_RATES
    rate = rates[int(rng.integers(len(rates)))]
    dialects = [name for name in DIALECTS if name != "csv quoted"]
    if rate > 25_000_000:
        dialects = [name for name in dialects if name not in _EVERY_SAMPLE]
    dialect = dialects[int(rng.integers(len(dialects)))]
    cycles = int(rng.integers(3000, 4000 if dialect in _EVERY_SAMPLE else 5500))

    release = int(rng.integers(3, 4 * RESET_LOW))
    reset_low = [(0, release)]
    if rng.random() < 0.3:
        # A slow edge that bounces for some cycles before RES is up for good.
        for _ in range(int(rng.integers(1, 4))):
            first = reset_low[-1][1] + int(rng.integers(1, 3))
            reset_low.append((first, first + int(rng.integers(1, 3))))
    pulled_up = bool(rng.random() < 0.3)
    # From a stream of their own: the rest of a boot is as it would be without them.
    ugly = draw_nuisances(rng.spawn(1)[0], board)
    ugly = replace(ugly, left_out=None, other_revision=None)  # the board file stays true
    record = simulate(
        board,
        cycles=cycles,
        seed=int(rng.integers(2**31)),
        clock_hz=clock,
        reset_low=reset_low,
        undriven="high" if pulled_up else ugly.undriven,
        display=display,
        io_hold=ugly.io_hold,
    )
    lines = line_names(record)
    buses, control = ("PHI2", "RW", *address_lines(board), *DATA), control_lines(board)
    # A display's cycles cannot be told from the CPU's without the line that says whose they are.
    sharing = ("RDY", "BE") if display else ()
    kept = rng.random()
    if kept < 0.2:
        lines = (*buses, "RES", *sharing)
    elif kept < 0.4:
        lines = (*buses, *control)
    elif kept < 0.5:
        lines = (*buses, *(line for line in control if line == "SYNC"), *sharing, *lines[-3:])
    late = float(rng.choice([0.0, 0.0, 0.0, 15.0, 120.0]))
    midst = int(rng.integers(200, cycles // 2)) if rng.random() < 0.15 else 0
    if midst:
        late = 0.0
    capture = sample(
        record,
        rate=rate,
        seed=int(rng.integers(2**31)),
        lines=lines,
        start_cycle=midst,
        lead_cycles=late,
        chatter=int(rng.integers(4)),
        contention=ugly.contention,
        drift=ugly.drift,
        trigger=int(rng.integers(200)) if rng.random() < 0.2 else 0,
    )
    style = list(NAMING)[int(rng.integers(len(NAMING)))]
    if dialect in _BUS_COLUMNS:
        style = "plain"
    capture_path = folder / f"capture.{dialect.split()[0]}"
    export(capture, capture_path, dialect, naming=style)
    reached = (record.cpu_address == main_loop) & (record.sync == 1)
    about = (
        f"{float(clock / 10**6):g} MHz at {rate / 10**6:g} MS/s, {dialect}, names {style},"
        f" {len(lines)} lines, {cycles} cycles from {midst}, clock {late:g} cycles late,"
        f" reset {reset_low}, bus {'pulled up' if pulled_up else 'keeps'},"
        f" {display or 'no display'}"
    )
    return HealthyBoot(board_path, capture_path, record, midst, bool(reached[midst:].any()), about)
