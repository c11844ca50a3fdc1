"""Run a board on the executor, cycle by cycle, with faults planted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board
from bustrace.drill.floating import Undriven
from bustrace.drill.model import BusRecord, Display, PowerOn, control_lines
from bustrace.drill.plant import plant
from bustrace.drill.planted import Chances, Planted, rotten_roms
from bustrace.drill.planting import Planting, acting_sets, as_planting, settled
from bustrace.drill.running import Run
from bustrace.faults import Fault

RESET_LOW = 12
"""Cycles RES stays low; the makers ask for two (R650X sheet p. 2, SY6500 sheet p. 3-40)."""


def simulate(
    board: Board,
    *,
    cycles: int,
    faults: Iterable[Planting | Fault | str] = (),
    seed: int = 0,
    clock_hz: Fraction | None = None,
    reset_low: Sequence[tuple[int, int]] = ((0, RESET_LOW),),
    undriven: Undriven = "keeps",
    display: Display | None = None,
    io_hold: int | None = None,
    stop_after: int | None = None,
    repeat_every: int | None = None,
    power_on: PowerOn | None = None,
) -> BusRecord:
    """Run `board` for a number of bus cycles.

    Parameters
    ----------
    board : Board
        Its ROMs need an image; RAM starts with random content.
    cycles : int
    faults : iterable of Planting, Fault or fault id
        A fault by itself acts always, in its plainest way.
    seed : int
        Chooses everything that is left to chance: RAM content, registers, inputs of the I/O
        chips, which bytes a ``content`` fault changes, where the clock stops, ...
    clock_hz : Fraction or None
        None: the board's, or 1 MHz.
    reset_low : sequence of (first, end)
        Cycles in which RES is low, end excluded.
    undriven : str
        What a data bus that nobody drives shows, one of `bustrace.drill.floating.UNDRIVEN`.
    display : Display or None
        Takes the bus from the CPU for some cycles now and then.
    io_hold : int or None
        What comes in at ports changes after so many cycles; None: as their kinds like.
    stop_after, repeat_every : int or None
        Cycle at which ``clock:stops`` takes hold, period of ``reset:repeats``; None: by chance.
    power_on : PowerOn or None
        Bytes that RAM holds at power-on, and a ROM of another content in place of its own; None:
        all by chance.

    Returns
    -------
    BusRecord

    Raises
    ------
    ValueError
        A fault that is not simulated or names what the board lacks; a ROM without an image; a
        CPU with a port; a display on a CPU that has no BE.
    """
    if cycles < 0:
        raise ValueError(f"cycles must not be negative, not {cycles}")
    if any(bit.port is not None for bit in board.state_bits):
        raise ValueError(f"the drill does not run a CPU with a port, the {board.cpu.part}")
    if display is not None and "BE" not in control_lines(board):
        raise ValueError(f"a {board.cpu.part} has no BE: a display cannot take its bus")
    # Streams of their own, so that a fault leaves everything else as it was without it.
    fault_rng, rest_rng = (np.random.default_rng((seed, stream)) for stream in (1, 2))
    plantings = settled(board, map(as_planting, faults), fault_rng)
    chances = Chances(seed, rotten_roms(board, plantings, fault_rng))
    whole = plant(board, plantings, chances)
    length = _length(cycles, whole, plantings, stop_after, rest_rng)
    res = _reset(length, whole, plantings, reset_low, repeat_every, rest_rng, seed)
    acting = acting_sets(plantings, length, seed)
    planted = {
        mask: plant(board, [p for i, p in enumerate(plantings) if mask >> i & 1], chances)
        for mask in np.unique(acting).tolist()
    } or {0: whole}
    run = Run(
        board,
        planted,
        acting,
        seed=seed,
        chances=chances,
        undriven=undriven,
        display=display,
        io_hold=io_hold,
        power_on=power_on or {},
    )
    return BusRecord(
        board=board,
        faults=tuple(planting.fault for planting in plantings),
        seed=seed,
        clock_hz=clock_hz or board.clock_hz or Fraction(10**6),
        clip_levels=_never_moving(planted.values()),
        clip_joins=tuple(
            join for join in whole.joins if all(join in faults.joins for faults in planted.values())
        ),
        clock_ends=whole.clock is not None,
        rest_cycles=cycles - length,
        rest_level=int(rest_rng.integers(2)),
        **run.go(res),
    )


def _when(family: str, plantings: Sequence[Planting]) -> Planting:
    """The planting that concerns the clock or the reset; a shared one may."""
    mine = [planting for planting in plantings if planting.fault.family == family]
    return next(iter(mine), next(p for p in plantings if p.fault.family in (family, "shared")))


def _length(
    cycles: int,
    whole: Planted,
    plantings: Sequence[Planting],
    stop_after: int | None,
    rng: np.random.Generator,
) -> int:
    """Cycles until the clock ends."""
    if whole.clock is None:
        return cycles
    onset = _when("clock", plantings).when.onset
    if whole.clock == "absent":
        return min(onset, cycles)
    chosen = int(rng.integers(cycles // 4, cycles // 2 + 1))
    return min(cycles, onset or (chosen if stop_after is None else stop_after))


def _reset(
    length: int,
    whole: Planted,
    plantings: Sequence[Planting],
    reset_low: Sequence[tuple[int, int]],
    repeat_every: int | None,
    rng: np.random.Generator,
    seed: int,
) -> npt.NDArray[np.uint8]:
    """Level of RES in each cycle."""
    res = np.ones(length, dtype=np.uint8)
    for first, end in reset_low:
        res[first:end] = 0
    if whole.reset is None:
        return res
    acts = _when("reset", plantings).when.acts(length, seed)
    if whole.reset == "held":
        res[acts] = 0
    else:
        period = int(rng.integers(600, 1500)) if repeat_every is None else repeat_every
        for first in range(period, length, period):
            if acts[first]:
                res[first : first + RESET_LOW] = 0
    return res


def _never_moving(planted: Iterable[Planted]) -> dict[str, int]:
    """Lines that show one level at the clip whatever acts."""
    each = []
    for faults in planted:
        levels = dict(faults.clip_levels)
        for line, level in faults.held.items():
            levels.setdefault(line, level)
        each.append(levels)
    first, *others = each
    return {
        line: level
        for line, level in first.items()
        if all(levels.get(line) == level for levels in others)
    }
