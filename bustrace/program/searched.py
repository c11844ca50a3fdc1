"""Rows from the search where nothing could be executed: lines masked, and whether to believe it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note
from bustrace.cpu import Variant
from bustrace.cycles import Cycles
from bustrace.program import _kernels
from bustrace.program.boundaries import halted, in_reset
from bustrace.program.model import Kind
from bustrace.program.search import Found, Seen, recover

_KINDS = {
    _kernels.BY_INSTRUCTION: Kind.INSTRUCTION,
    _kernels.BY_RESET: Kind.RESET,
    _kernels.BY_IRQ: Kind.IRQ,
    _kernels.BY_NMI: Kind.NMI,
    _kernels.BY_BRK: Kind.BRK,
    _kernels.BY_NOTHING: Kind.LOST,
    _kernels.BY_STAYING: Kind.STALLED,
}

_FEWEST = 32
"""Cycles below which a pattern means nothing."""

_TRIED = 20_000
"""Cycles searched first: where they are no program, the rest is not looked at."""

_UNEXPLAINED = 12.0
"""Bits that a row lacks of what its cycles could give, from which it explains nothing."""

_MOST_UNEXPLAINED = 0.25
_MOST_WITHOUT_OPCODES = 0.15
_LEAST_EVIDENCE = 0.5
"""Share of the cycles, and bits a cycle, that part a program from noise: the search is in log-odds
against uniform bits, so noise scores less than nothing. Without data any opcode may be taken, and
more is explained by chance."""

_MOST_WITHOUT_DATA = 200_000
"""Cycles searched without any data line, where every cycle may be any instruction."""

_COUNTING = 0.95
"""Share of addresses that follow on the one before, in which no CPU with data of its own runs."""

_RESTING, _FLICKER = 0.01, 2
"""Share of cycles in which more lines than that are not at their usual level, below which all rests
but for noise."""

_FLAKY = 0.03
"""Share of fetches after which an address line did not count on, from which it is not used."""

_TWIN = 3.0
"""Bits within which another opcode explains a row as well."""

_LOADS = (("LDA", "PLA"), ("LDX", "PLX"), ("LDY", "PLY"), (), ("PLP", "RTI"))
"""What gives A X Y S P a byte from the bus."""

SURE = 0.95
"""Confidence of a row from which it is built on."""

_CERTAIN = 0.99
"""Nothing that was only searched for is surer."""


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """Rows from the first cycle searched on, with registers.

    Attributes
    ----------
    first_cycle, kind, opcode, pc, confidence, registers, known
        As in `Program`.
    twins : tuple of (first cycle, opcode)
        Other readings of a row.
    notes : tuple of Note
    """

    first_cycle: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    pc: npt.NDArray[np.int32]
    confidence: npt.NDArray[np.float32]
    registers: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    twins: tuple[tuple[int, int], ...]
    notes: tuple[Note, ...]


def search_cycles(
    cycles: Cycles, part: Variant, variant: str, begin: int, end: int
) -> Searched | str:
    """Search a stretch of cycles for instructions.

    Parameters
    ----------
    cycles : Cycles
    begin, end : int
        First cycle of the stretch, and the one after its last.
    part : Variant
        The CPU.
    variant : str
        Part that works the same inside and has all address pins.

    Returns
    -------
    Searched or str
        Why there is no program.
    """
    used = np.flatnonzero(~halted(cycles, part)[begin:end]) + begin
    if len(used) < _FEWEST:
        return f"only {len(used)} cycles are the CPU's own: too few to search"
    seen, rests = _without_resting(_seen(cycles, used, part))
    if not seen.address_known.any() and not seen.data_known.any():
        return "no address or data line moves, or none was captured"
    if _rests(seen):
        return "the bus rests but for noise: no instruction runs"
    if not seen.data_known.any():
        seen, used = _cut(seen, _MOST_WITHOUT_DATA), used[:_MOST_WITHOUT_DATA]
        if _only_counts(seen):
            return "the addresses only count up: that shows no program"
    first = _cut(seen, _TRIED)
    sample = recover(first, variant)
    why = _why_not(sample, first)
    if why is not None:
        return why
    flaky = _flaky_lines(sample, first)
    if flaky:
        seen = replace(seen, address_known=seen.address_known & np.uint32(~flaky & 0xFFFF))
    found = sample if len(first) == len(seen) and not flaky else recover(seen, variant)
    return _rows(found, used, cycles, part, _notes(rests, flaky), begin)


def _seen(cycles: Cycles, used: npt.NDArray[np.int64], part: Variant) -> Seen:
    pins = np.uint32(part.address_mask)
    unpinned = np.uint32(0xFFFF & ~part.address_mask)
    return Seen(
        # The program counter is as wide as ever: a line without a pin is one not captured.
        address=cycles.address[used] & pins,
        address_known=cycles.address_known[used] & pins & ~unpinned,
        data=cycles.data[used],
        data_known=cycles.data_known[used],
        rw=cycles.pin("RW")[used],
        held=in_reset(cycles)[used],
    )


def _cut(seen: Seen, n: int) -> Seen:
    return Seen(*(getattr(seen, name)[:n] for name in Seen.__dataclass_fields__))


def _without_resting(seen: Seen) -> tuple[Seen, tuple[str, ...]]:
    """Mask the lines that never move: stuck, unclipped or not needed, they tell nothing."""
    moves_a = _moving(seen.address, seen.address_known)
    moves_d = _moving(seen.data, seen.data_known)
    rw_moves = bool((seen.rw == 0).any() and (seen.rw == 1).any())
    captured_a = int(np.bitwise_or.reduce(seen.address_known))
    captured_d = int(np.bitwise_or.reduce(seen.data_known))
    rests = [f"A{bit}" for bit in range(16) if captured_a & ~moves_a & 0xFFFF & 1 << bit]
    rests += [f"D{bit}" for bit in range(8) if captured_d & ~moves_d & 0xFF & 1 << bit]
    if not rw_moves and (seen.rw != 2).any():
        rests.append("RW")
    masked = replace(
        seen,
        address_known=seen.address_known & np.uint32(moves_a),
        data_known=seen.data_known & np.uint8(moves_d),
        rw=seen.rw if rw_moves else np.full(len(seen), 2, np.uint8),
    )
    return masked, tuple(rests)


def _moving(
    levels: npt.NDArray[np.uint32 | np.uint8], known: npt.NDArray[np.uint32 | np.uint8]
) -> int:
    high = int(np.bitwise_or.reduce(levels & known))
    return high & int(np.bitwise_or.reduce(~levels & known))


def _rests(seen: Seen) -> bool:
    """Whether the captured lines keep their usual levels nearly all the time."""
    lines = (seen.address & seen.address_known).astype(np.int64)
    lines |= (seen.data & seen.data_known).astype(np.int64) << 16
    lines |= (seen.rw == 1).astype(np.int64) << 24
    counts = [int((lines >> bit & 1).sum()) for bit in range(25)]
    usual = sum(1 << bit for bit, count in enumerate(counts) if 2 * count > len(lines))
    return float((np.bitwise_count(lines ^ usual) > _FLICKER).mean()) < _RESTING


def _only_counts(seen: Seen) -> bool:
    """Whether nearly every address is the one before it and 1."""
    known = seen.address_known[1:] & seen.address_known[:-1]
    off = (seen.address[:-1] + np.uint32(1) ^ seen.address[1:]) & known
    return float((off == 0).mean()) > _COUNTING


def _why_not(found: Found, seen: Seen) -> str | None:
    """Why what was found is no program, or None where it is one."""
    n = len(seen)
    lengths = np.diff(found.first_cycle, append=n)
    running = ~seen.held[found.first_cycle]
    total = int(lengths[running].sum())
    if total < _FEWEST:
        return "RES is low almost all the time"
    free = found.edge == _kernels.BY_NOTHING
    stays = found.edge == _kernels.BY_STAYING
    if lengths[running & stays].sum() > 0.9 * total:
        return "the bus rests: no instruction runs"
    bad = running & (free | (found.loss > _UNEXPLAINED) & (found.score < 2 * _UNEXPLAINED))
    unexplained = float(lengths[bad].sum()) / total
    moves = running & ~stays
    evidence = float(found.score[moves].sum()) / max(int(lengths[moves].sum()), 1)
    if evidence < _LEAST_EVIDENCE and unexplained <= _MOST_UNEXPLAINED:
        return "the captured lines fit this CPU's instructions no better than noise would"
    if unexplained > (_MOST_UNEXPLAINED if seen.data_known.any() else _MOST_WITHOUT_OPCODES):
        return (
            f"{unexplained:.0%} of the cycles are like no instruction of this CPU: noise, wrong "
            "names of lines, or another CPU"
        )
    return None


def _flaky_lines(found: Found, seen: Seen) -> int:
    """Address lines that do not count on from a fetch to its operand, as a mask."""
    rows = (found.edge == _kernels.BY_INSTRUCTION)[:-1] & (np.diff(found.first_cycle) > 1)
    at = found.first_cycle[:-1][rows]
    if len(at) < _FEWEST:
        return 0
    known = seen.address_known[at] & seen.address_known[at + 1]
    # Only bits whose lower ones are all captured can be told.
    counts = known & ~(known + np.uint32(1)) | known & (known ^ (known + np.uint32(1)))
    off = (seen.address[at] + np.uint32(1) ^ seen.address[at + 1]) & counts
    shares = [float((off >> np.uint32(bit) & 1).mean()) for bit in range(16)]
    flaky = [bit for bit, share in enumerate(shares) if share > _FLAKY]
    return sum(1 << bit for bit in flaky) if len(flaky) <= 2 else 0


def _rows(
    found: Found,
    used: npt.NDArray[np.int64],
    cycles: Cycles,
    part: Variant,
    notes: tuple[Note, ...],
    begin: int,
) -> Searched:
    """The rows found among the CPU's own cycles, over all cycles."""
    first = found.first_cycle
    joined = np.append(True, ~((found.edge[1:] == found.edge[:-1]) & _idle(found.edge[1:])))
    # Waits come before the cycle that ends them.
    starts = np.where(first > 0, used[np.maximum(first - 1, 0)] + 1, begin)[joined]
    kind = np.array([_KINDS[edge] for edge in range(len(_KINDS))], np.uint8)[found.edge[joined]]
    low = in_reset(cycles)[used[first[joined]]] & (kind == Kind.LOST)
    kind[low] = Kind.RESET
    named = np.isin(kind, (Kind.INSTRUCTION, Kind.BRK))
    opcode = np.where(named, found.opcode[joined], -1).astype(np.int16)
    opcode[kind == Kind.BRK] = 0
    pins = part.address_mask
    program = (kind == Kind.INSTRUCTION) | (kind == Kind.BRK)
    registers, known = found.registers[joined], _loaded_since(found, cycles, used, part)[joined]
    # What the fetch itself shows of the program counter is part of it.
    shown = cycles.address_known[used[first[joined]]].astype(np.uint16)
    value = cycles.address[used[first[joined]]].astype(np.uint16)
    counter = (registers[:, 0] & ~shown) | (value & shown)
    whole = ((known[:, 0] | shown) & pins) == pins
    pc = np.where(program & whole, (counter & pins).astype(np.int32), np.int32(-1))
    confidence = _confidence(found)[joined]
    confidence[kind == Kind.LOST] = 0
    twin = (found.other >= 0) & (found.behind < _TWIN) & (found.edge == _kernels.BY_INSTRUCTION)
    twin_at = np.where(first > 0, used[np.maximum(first - 1, 0)] + 1, begin)[twin]
    twins = zip(twin_at.tolist(), found.other[twin].tolist(), strict=True)
    return Searched(
        first_cycle=starts.astype(np.int64),
        kind=kind,
        opcode=opcode,
        pc=pc,
        confidence=confidence,
        registers=registers[:, 1:].astype(np.uint8),
        known=known[:, 1:].astype(np.uint8),
        twins=tuple(twins),
        notes=notes,
    )


def _loaded_since(
    found: Found, cycles: Cycles, used: npt.NDArray[np.int64], part: Variant
) -> npt.NDArray[np.uint16]:
    """Known bits of the registers, none that are older than the last opcode that is doubtful.

    Where an opcode is not what was captured, what was known before may be of another path. So it
    may where no address was captured and the opcode is none that the makers list: bytes read at
    the wrong places look like that. A register counts again once it was loaded.
    """
    at = used[found.first_cycle]
    differs = (found.opcode ^ cycles.data[at]) & cycles.data_known[at]
    strange = np.array([not o.documented for o in part.opcodes()])[found.opcode & 0xFF]
    strange &= cycles.address_known[at] == 0
    doubtful = (found.edge == _kernels.BY_INSTRUCTION) & (found.opcode >= 0)
    doubtful &= (differs != 0) | strange
    rows = np.arange(1, len(found) + 1)
    last = np.maximum.accumulate(np.where(doubtful, rows, 0))
    known = found.known.copy()
    for column, loads in enumerate(_LOADS, start=1):
        loaded = np.isin(found.opcode, [code for name in loads for code in part.opcodes_of(name)])
        since = np.maximum.accumulate(np.where(loaded & ~doubtful, rows, 0))
        # A row tells what was known before it.
        known[1:, column][(since <= last)[:-1] & (last > 0)[:-1]] = 0
    return known


def _idle(edge: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    idle: npt.NDArray[np.bool_] = (edge == _kernels.BY_NOTHING) | (edge == _kernels.BY_STAYING)
    return idle


def _confidence(found: Found) -> npt.NDArray[np.float32]:
    """How sure the rows are: by the evidence of the row and its neighbours, and by its twin."""
    around = np.convolve(found.score, np.ones(7), "same") if len(found) > 6 else found.score
    sure = 1 - np.exp2(-np.clip(around, 0, 40) / 8)
    sure *= np.exp2(-np.clip(found.loss - _UNEXPLAINED, 0, 60) / 24)
    twin = (found.other >= 0) & (found.edge == _kernels.BY_INSTRUCTION)
    sure *= np.where(twin, 1 / (1 + np.exp2(-np.clip(found.behind, 0, 40))), 1)
    confidence: npt.NDArray[np.float32] = np.minimum(sure, _CERTAIN).astype(np.float32)
    return confidence


def _notes(rests: tuple[str, ...], flaky: int) -> tuple[Note, ...]:
    notes = []
    if rests:
        which = " ".join(rests)
        verb = "rests" if len(rests) == 1 else "rest"
        notes.append(
            Note("guess", f"{which} {verb} in the whole capture, and the search went without")
        )
    if flaky:
        which = " ".join(f"A{bit}" for bit in range(16) if flaky >> bit & 1)
        notes.append(
            Note("doubt", f"{which} often does not count on as the program does: a clip with a bad "
                 "contact? The search went without")
        )  # fmt: skip
    return tuple(notes)
