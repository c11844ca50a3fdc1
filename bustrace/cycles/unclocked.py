"""The clock's falls, estimated from what the bus does: for captures without the clock line.

A running CPU changes its address, R/W or SYNC in nearly every cycle, within tADS of the fall of
phase 2, and never elsewhere. So the moves of these lines beat the clock; where nothing moves,
cycles are counted out by the beat.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture, Note
from bustrace.cycles.edges import Edges, median
from bustrace.cycles.model import CONTROL_BIT
from bustrace.cycles.pins import PinColumns, PinTable
from bustrace.cycles.sampling import Moves
from bustrace.cycles.stretches import stretches
from bustrace.units import PS_PER_SECOND, format_time

FEWEST_SAMPLES = 6
"""Samples a cycle below which moves of neighbouring cycles cannot be told apart: an address may
take 0.3 of a cycle to settle (makers' sheets, tADS), and edges are seen up to a sample late."""

MOST_SILENT = 1000
"""Cycles without a move that are counted out where few lines tell. The beat is known to some
0.01 %."""

REST = 64
"""The same where the address was captured: a CPU that runs moves it far more often, and one that is
held reads the same byte again, so that nothing is lost by counting one cycle only. A clock that
paused would have made none at all."""

_ENOUGH = 16
"""Moves from which a beat is a beat."""

_MOVES_LOOKED_AT = 1 << 14
_CYCLES_COMPARED = 1 << 15
_WINDOW_SHARE = 0.45
"""How long before the address moves the byte is looked for, as a share of the cycle: 0.3 for tADS,
and the read data's setup before that."""
_AS_GOOD = 0.002
_AS_GOOD_IN_SEQUENCE = 0.03
"""Difference of repetition that means nothing: at one address, and after the same two bytes."""
_ARRIVING = 0.01
"""Share of the data lines' moves in a bin from which bytes are still arriving there."""
_STEADY_SHARE = 0.1
"""Setup of read data before the fall, as a share of the cycle: 100 ns at 1 MHz, 50 ns at 2 MHz."""
_ADDRESS_TELLS = 8
"""Lines of address and R/W that tell places apart."""
_NEIGHBOURS = 96
_LAGS = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """Cycles counted out by the moves of the bus.

    Attributes
    ----------
    edges : Edges
        Falls at the first moves of address, R/W and SYNC; rises half a cycle before, unobserved.
    period_ps : int
    seen : float
        Share of the cycles at whose end a line was seen to move.
    silence : int
        Longest run of cycles in which none did.
    rests : int
        Longer rests, of which only the last cycle was counted.
    """

    edges: Edges
    period_ps: int
    seen: float
    silence: int
    rests: int


def find_beat(
    capture: Capture, pins: PinTable, sample_ps: int, expected_hz: Fraction | None
) -> Beat | str:
    """Count out the cycles of a capture without a clock line.

    Parameters
    ----------
    capture : Capture
    pins : PinTable
    sample_ps : int
        Sample interval; 0 when unknown.
    expected_hz : Fraction or None
        The CPU's clock as the board file tells it: a beat that is not this one is another's, such
        as of a display that shares the bus.

    Returns
    -------
    Beat or str
        Why there is none.
    """
    early = _moves(capture, pins.early_lines)
    if len(early) < _ENOUGH:
        return (
            "no clock line was captured, and address, R/W and SYNC hardly move or are not among "
            "the clips: nothing tells one cycle from the next"
        )
    period = _usual_interval(early, max(sample_ps, 1), expected_hz)
    if period is None:
        return "no clock line was captured, and the address lines move without a steady beat"
    if period < FEWEST_SAMPLES * sample_ps:
        return (
            f"no clock line was captured, and without it {period / sample_ps:.3g} samples a cycle "
            f"are too few: clip phase 2, or capture at "
            f"{-(-FEWEST_SAMPLES * 10**6 // int(period)):.0f} MS/s or more"
        )
    ends, kinds, fitting = _follow(capture, early, period, MOST_SILENT)
    period = _refined(ends, kinds, period)
    silent = REST if _seen(kinds) > 0.5 else MOST_SILENT
    ends, kinds, fitting = _follow(capture, early, period, silent)
    if fitting < 0.85:
        return "no clock line was captured, and the address lines move without a steady beat"
    period = _refined(ends, kinds, period)
    ends = ends + _first_moves(early, ends, period, sample_ps)
    edges = _edges(capture, ends, kinds, period)
    if not len(edges.falls):
        return "no clock line was captured, and not one whole cycle is told by the address lines"
    seen = _seen(kinds)
    first, end = stretches(kinds == 0)
    return Beat(
        edges,
        round(period),
        seen=seen,
        silence=int((end - first).max(initial=0)),
        rests=int(np.count_nonzero(kinds == 3)),
    )


def _moves(capture: Capture, lines: int) -> npt.NDArray[np.int64]:
    """Times at which one of the lines changes; where the recording resumes is no change."""
    change = capture.state[1:] ^ capture.state[:-1]
    if capture.known is not None:
        change &= capture.known[1:] & capture.known[:-1]
    time: npt.NDArray[np.int64] = capture.time_ps[1:][change & np.uint64(lines) != 0]
    return time[~np.isin(time, capture.gaps[:, 1])] if len(capture.gaps) else time


def _usual_interval(
    moves: npt.NDArray[np.int64], sample_ps: int, expected_hz: Fraction | None
) -> float | None:
    """The cycle of which the moves' distances are whole multiples; None without one.

    Half a cycle fits as well as a whole one does, and two do not, since the address moves in
    neighbouring cycles: of the lengths that fit, the longest is the cycle.
    """
    some = moves[:_MOVES_LOOKED_AT]
    reach = min(_NEIGHBOURS, len(some) - 1)
    longest = float(np.percentile(some[reach:] - some[:-reach], 25))
    unit = max(float(sample_ps), longest / _LAGS)
    bins = int(longest / unit)
    if bins < 2 * FEWEST_SAMPLES:
        return None
    counts = np.zeros(bins + 1, dtype=np.float64)
    for step in range(1, reach + 1):
        lag = (some[step:] - some[:-step]) / unit
        lag = lag[lag < bins]
        counts += np.bincount(np.rint(lag).astype(np.int64), minlength=bins + 1)
    lengths = np.geomspace(3.0, bins / 3, max(2, int(np.log(bins / 9) / 0.003)))
    lags = np.arange(bins + 1)
    used = counts > 0
    fit = np.array([np.cos(2 * np.pi / x * lags[used]) @ counts[used] for x in lengths])
    fit /= counts.sum()
    peak = np.flatnonzero((fit[1:-1] >= fit[:-2]) & (fit[1:-1] >= fit[2:])) + 1
    good = peak[fit[peak] >= max(0.3, 0.6 * fit[peak].max(initial=0.0))]
    if not len(good):
        return None
    if expected_hz is not None:
        wanted = float(PS_PER_SECOND / expected_hz) / unit
        good = good[np.abs(lengths[good] / wanted - 1) < 0.1]
        if not len(good):
            return None
    return float(lengths[good[-1]]) * unit


def _follow(
    capture: Capture, moves: npt.NDArray[np.int64], period: float, silent: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8], float]:
    """Ends of cycles, their kinds (`_kernels.follow_moves`), and the share of moves that fit."""
    from bustrace.cycles import _kernels

    ends, kinds, fits, strays = [], [], 0, 0
    borders = np.searchsorted(moves, capture.gaps[:, 1]).tolist()
    for some in np.split(moves, borders):
        if not len(some):
            continue
        # Memory is bounded by the moves, however far apart a strange file puts them.
        room = min(int((some[-1] - some[0]) / period * 1.1) + 16, 64 * len(some) + 4096)
        end, kind = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.uint8)
        count, fitting, astray = _kernels.follow_moves(some, period, silent, end, kind)
        ends.append(end[:count].copy())
        kinds.append(kind[:count].copy())
        fits, strays = fits + int(fitting), strays + int(astray)
    return np.concatenate(ends), np.concatenate(kinds), fits / max(1, fits + strays)


def _seen(kinds: npt.NDArray[np.uint8]) -> float:
    """Share of the cycles at whose end a move was seen."""
    seen, known = int(np.count_nonzero(kinds & 1)), int(np.count_nonzero(kinds != 2))
    return seen / max(1, known)


def _refined(ends: npt.NDArray[np.int64], kinds: npt.NDArray[np.uint8], period: float) -> float:
    """The mean cycle of stretches of 64, of which the median is taken: jumps do not move it."""
    for span in (64, 8, 1):
        if len(ends) <= 2 * span:
            continue
        anew = np.cumsum(kinds >= 2)
        whole = anew[span:] == anew[:-span]
        lasted: npt.NDArray[np.int64] = ends[span:] - ends[:-span]
        middle = median(lasted[whole])
        if middle is not None:
            return middle / span
    return period


def _first_moves(
    moves: npt.NDArray[np.int64], ends: npt.NDArray[np.int64], period: float, sample_ps: int
) -> int:
    """Where, from the beat, the first of a cycle's moves lie: ps, to a sample."""
    width = max(float(sample_ps), period / 64)
    half = int(period / 2 / width)
    place = np.searchsorted(ends, moves - round(period / 2))
    off = (moves - ends[np.minimum(place, len(ends) - 1)]) / width
    off = off[np.abs(off) <= half]
    counts = np.bincount(np.rint(off).astype(np.int64) + half, minlength=2 * half + 1)
    first = int(np.argmax(counts))
    floor = max(1.0, 0.01 * float(counts.max()))
    while first > 0 and counts[first - 1] > floor:
        first -= 1
    return round((first - half - 0.5) * width)


def _edges(
    capture: Capture, ends: npt.NDArray[np.int64], kinds: npt.NDArray[np.uint8], period: float
) -> Edges:
    """Edges at the ends of cycles whose begin is known, a rise half a cycle before each."""
    inside = (kinds != 2) & (ends - round(period) > capture.time_ps[0])
    fall = ends[inside]
    rise = fall - round(period / 2)
    time = np.stack([rise, fall], axis=1).ravel()
    row = np.empty(len(time), dtype=np.int64)
    # The row in effect as phase 2 would rise, and the first one after it would fall.
    row[0::2] = np.searchsorted(capture.time_ps, rise, side="right") - 1
    row[1::2] = np.searchsorted(capture.time_ps, fall, side="left")
    first = np.zeros(len(time), dtype=np.uint8)
    anew = np.cumsum(kinds >= 2)[inside]
    first[0::2] = np.diff(anew, prepend=-1) != 0
    level = np.tile(np.array([1, 0], dtype=np.uint8), len(fall))
    return Edges(time, row, level, first, np.arange(1, len(time), 2))


def bins_before(capture: Capture, beat: Beat, pins: PinTable, moves: Moves) -> int:
    """How many bins before the address moves to sample.

    The fall itself lies somewhere up to 0.3 of a cycle before (tADS), and read data may leave 10 ns
    after it (tDHR). Taken too late, a byte is what the empty bus shows, and what one address gave
    last time is not what it gives now. So bytes are taken where they repeat best, and there in the
    last stretch in which hardly a data line moves: in a loop bytes also repeat before they have all
    arrived.
    """
    falls = beat.edges.time_ps[beat.edges.falls][:_CYCLES_COMPARED]
    most = max(1, int(_WINDOW_SHARE * beat.period_ps / moves.width_ps))
    shares = []
    for back in range(1, most + 1):
        at = falls - round((back - 0.5) * moves.width_ps)
        rows = np.maximum(np.searchsorted(capture.time_ps, at, side="right") - 1, 0)
        shares.append(_repeated(pins.columns(capture.state[rows], levels=True), pins))
    alike = _AS_GOOD if _tells_places(pins) else _AS_GOOD_IN_SEQUENCE
    good = np.array(shares) >= max(shares) - alike
    data = moves.lines(pins.data_lines).sum(axis=0)
    busy = data > max(3.0, _ARRIVING * float(data.sum()))
    stretches: list[list[int]] = []
    for back in range(1, most + 1):
        if not good[back - 1]:
            continue
        # What moves in the bin after this one parts them.
        parted = bool(busy[max(0, moves.before - back + 1)])
        if stretches and stretches[-1][-1] == back - 1 and not parted:
            stretches[-1].append(back)
        else:
            stretches.append([back])
    enough = _STEADY_SHARE * beat.period_ps / moves.width_ps
    chosen = next((s for s in stretches if len(s) >= enough), max(stretches, key=len))
    return chosen[len(chosen) // 2]


def _tells_places(pins: PinTable) -> bool:
    return pins.early_lines.bit_count() >= _ADDRESS_TELLS


def _repeated(columns: PinColumns, pins: PinTable) -> float:
    """How much more often than by chance a byte is the one of the last cycle alike: up to 1.

    Alike are cycles at one address; one that repeats the cycle before says nothing new. Where
    hardly an address line was captured, the two bytes before stand for it. 0 where too little
    repeats to tell.
    """
    data = columns.data.astype(np.int64)
    alike = columns.address.astype(np.int64)
    telling = np.diff(alike, prepend=-1) != 0
    if not _tells_places(pins):
        alike = columns.control.astype(np.int64)
        alike[2:] |= data[1:-1] << 14 | data[:-2] << 22
        # A written byte that is not there yet repeats the one before it: easy to foretell.
        read = columns.control >> np.uint16(CONTROL_BIT["RW"]) & 1 == 1
        telling = read | ~read.any()
    alike, data = alike[telling], data[telling]
    order = np.argsort(alike, kind="stable")
    again = np.diff(alike[order]) == 0
    if np.count_nonzero(again) < 4 * _ENOUGH:
        return 0.0
    same = np.count_nonzero(again & (np.diff(data[order]) == 0)) / np.count_nonzero(again)
    chance = float(np.square(np.bincount(data, minlength=256) / len(data)).sum())
    return (float(same) - chance) / max(1 - chance, 1e-6)


def beat_notes(beat: Beat, cycles: int, sampled_ps: int) -> tuple[Note, ...]:
    """What the cycles were counted by, and how far that can be trusted."""
    text = (
        f"No clock line was captured: the moves of address, R/W and SYNC were taken for its beat, "
        f"{format_time(beat.period_ps)} a cycle, {cycles:,} cycles. {100 * beat.seen:.1f} % of "
        "them end with such a move"
    )
    if beat.silence:
        text += f"; the longest stretch without one is {beat.silence} cycles, counted out"
    if beat.rests:
        text += f"; {beat.rests} longer rests count as one cycle each"
    text += (
        ". A clock that pauses or stops looks the same as a CPU that does nothing, and setup and "
        "hold cannot be judged: clip phase 2 to be sure"
    )
    where = (
        f"Levels were taken {format_time(sampled_ps)} before the address lines move, where what "
        "one address gives repeats best."
    )
    return Note("doubt", text + ".", "--line NAME=PHI2"), Note("fact", where)
