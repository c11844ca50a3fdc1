"""What an analyser makes of a simulated run."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture
from bustrace.drill.model import BusRecord
from bustrace.drill.waveform import Waveform, line_names, waveform
from bustrace.units import PS_PER_SECOND, sample_times_ps

MAX_SAMPLES = 50_000_000
"""Bound on memory: 400 MB of sample words."""


def sample(
    record: BusRecord,
    *,
    rate: Fraction | int,
    seed: int = 0,
    lines: Sequence[str] | None = None,
    skew_ps: int = 2000,
    noise: float = 0.0,
    start_cycle: int = 0,
    lead_cycles: float = 0.0,
    chatter: int = 0,
    transients: float = 0.25,
    contention: float = 0.0,
    drift: float = 0.0,
    trigger: int = 0,
    source: str = "drill",
) -> Capture:
    """Capture a run in timing mode.

    Parameters
    ----------
    record : BusRecord
    rate : Fraction or int
        Samples a second.
    seed : int
        Chooses delays, the phase of the samples, skew, noise.
    lines : sequence of str or None
        Which lines are clipped, in this order; all of `line_names` by default.
    skew_ps : int
        Largest lead or lag of a channel.
    noise : float
        Chance that one sample of one line shows the wrong level.
    start_cycle : int
        The recording starts somewhere within this cycle.
    lead_cycles, chatter, transients, contention, drift
        As for `bustrace.drill.waveform.waveform`; with a lead the recording starts before the
        clock does.
    trigger : int
        Sample that is given the time 0; those before it have negative times.
    source : str

    Raises
    ------
    ValueError
        A line that the board has not, a cycle beyond the end, or more than `MAX_SAMPLES` samples.
    """
    rate = Fraction(rate)
    known = line_names(record)
    chosen = known if lines is None else tuple(lines)
    for line in chosen:
        if line not in known:
            raise ValueError(f"no line {line!r} on this board: one of {', '.join(known)}")
    if not 0 <= start_cycle <= max(len(record) - 1, 0):
        raise ValueError(f"cycle {start_cycle} is not in a run of {len(record)} cycles")
    wave = waveform(
        record,
        seed=seed,
        lead_cycles=lead_cycles,
        chatter=chatter,
        transients=transients,
        contention=contention,
        drift=drift,
    )
    rng = np.random.default_rng((seed, 102))
    begin = wave.begin_ps
    if not lead_cycles:
        width = float(PS_PER_SECOND / record.clock_hz)
        begin = int(wave.fall_ps[start_cycle] + rng.uniform(0, 0.999) * width)
    period = PS_PER_SECOND / rate
    count = int((wave.end_ps - begin) / period)
    if not 1 <= count <= MAX_SAMPLES:
        raise ValueError(f"{count} samples: the recording must hold 1 to {MAX_SAMPLES}")
    state = _sampled(record, wave, chosen, begin, float(period), count, skew_ps, rng)
    if noise:
        hits = int(rng.binomial(count * len(chosen), noise))
        places, bits = rng.integers(count, size=hits), rng.integers(len(chosen), size=hits)
        np.bitwise_xor.at(state, places, np.uint64(1) << bits.astype(np.uint64))
    moved = np.append(True, state[1:] != state[:-1])
    times = sample_times_ps(-trigger, count + 1, rate)
    return Capture(
        mode="timing",
        time_ps=times[:-1][moved],
        state=state[moved],
        known=None,
        lines=chosen,
        rate=rate,
        gaps=np.empty((0, 2), np.int64),
        end_ps=int(times[-1]),
        source=source,
    )


def _sampled(
    record: BusRecord,
    wave: Waveform,
    lines: Sequence[str],
    begin: int,
    period: float,
    count: int,
    skew_ps: int,
    rng: np.random.Generator,
) -> npt.NDArray[np.uint64]:
    """Levels at the sampling instants: uint64, shape (count,), bit i is ``lines[i]``."""
    state = np.zeros(count, np.uint64)
    for bit, line in enumerate(lines):
        times, levels = wave.lines[line]
        skew = int(rng.integers(-skew_ps, skew_ps + 1))
        # First sample at or after the change.
        index = np.ceil((times + (skew - begin)) / period)
        index = np.clip(index, 0, count).astype(np.int64)
        level = np.repeat(levels, np.diff(np.append(index, count)))
        if len(level) < count:
            level = np.append(np.full(count - len(level), levels[0], np.uint8), level)
        state |= level.astype(np.uint64) << np.uint64(bit)
    for join in record.clip_joins:
        state = join.apply(state, lines)
    return state
