"""What two boots did besides: lines, chips, registers, vectors, interrupts, ways that part."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.compare.align import Alignment
from bustrace.compare.instructions import row_words
from bustrace.compare.memory import Expected
from bustrace.compare.model import (
    ChipTraffic,
    Divergence,
    InterruptCount,
    LineDifference,
    Parting,
    RegisterTraffic,
)
from bustrace.compare.sides import DATA_LINES, Side, line_names
from bustrace.cycles import CONTROL
from bustrace.program import LINES, Kind

_SHOWN = 16
"""Bytes of a register's sequence that are kept."""

_ALIKE_AGAIN = 40
"""Instructions that must run alike to the end before the boots count as together again."""

_VECTORS = (("NMI", 0xFFFA), ("reset", 0xFFFC), ("IRQ", 0xFFFE))
_MOVES = 16
"""Cycles at each level that make a line one that moves."""


def line_differences(good: Side, bad: Side) -> tuple[LineDifference, ...]:
    """Lines that move in one boot and rest in the other."""
    mine, other = (_levels(side, slice(side.start, None)) for side in (good, bad))
    found = []
    for line in mine:
        if line not in other:
            continue
        one, two = mine[line], other[line]
        if len(one) == 2 and len(two) == 1:
            found.append(LineDifference(line, "bad", *two))
        elif len(two) == 2 and len(one) == 1:
            found.append(LineDifference(line, "good", *one))
    return tuple(found)


def lines_not_compared(good: Side | None, bad: Side) -> tuple[str, ...]:
    """Lines that only one of the boots shows."""
    if good is None:
        return ()
    mine, other = (set(_levels(side, slice(None))) for side in (good, bad))
    words = []
    for name, lines in (("good", mine - other), ("bad", other - mine)):
        if lines:
            words.append(
                f"{' '.join(sorted(lines, key=_in_order))}: captured in the {name} boot only"
            )
    return tuple(words)


def _in_order(line: str) -> tuple[str, int]:
    letters = line.rstrip("0123456789")
    return letters, int(line[len(letters) :] or 0)


def _levels(side: Side, after: slice) -> dict[str, tuple[int, ...]]:
    """Levels that each captured line has in a span of cycles."""
    cycles = side.reading.cycles
    selects = tuple(f"CS_{ref}" for ref in cycles.select_names)
    words = (
        (LINES[:DATA_LINES], cycles.address, cycles.address_known),
        (LINES[DATA_LINES : DATA_LINES + 8], cycles.data, cycles.data_known),
        (CONTROL, cycles.control, cycles.control_known),
        (selects, cycles.selects, cycles.selects_known),
    )
    found: dict[str, tuple[int, ...]] = {}
    for names, values, masks in words:
        value, known = values[after].astype(np.uint32), masks[after].astype(np.uint32)
        high = int(np.bitwise_or.reduce(value & known, initial=np.uint32(0)))
        low = int(np.bitwise_or.reduce(~value & known, initial=np.uint32(0)))
        always = int(np.bitwise_and.reduce(known)) if len(known) >= _MOVES else 0
        for bit, name in enumerate(names):
            if not (high | low) >> bit & 1:
                continue
            if always >> bit & 1 or np.count_nonzero(known >> np.uint32(bit) & 1) >= _MOVES:
                found[name] = tuple(lv for lv, seen in ((0, low), (1, high)) if seen >> bit & 1)
    return found


def chip_traffic(good: Side | None, bad: Side, expected: Expected) -> tuple[ChipTraffic, ...]:
    """What each chip of the map did in both boots."""
    found = []
    for bit, ref in enumerate(bad.chips):
        mine = _asked(good, bit) if good is not None else (0, 0)
        other = _asked(bad, bit)
        lanes = bad.reading.board.map.data_masks[bit]
        here = (bad.responds >> np.uint32(bit) & 1 == 1) & bad.judged & (bad.read == 1)
        wrong = np.where(here, expected.wrong & lanes, 0)
        bits = int(np.bitwise_or.reduce(wrong, initial=0))
        found.append(
            ChipTraffic(
                chip=ref,
                role=bad.reading.board.chip(ref).role,
                good_reads=mine[0],
                bad_reads=other[0],
                good_writes=mine[1],
                bad_writes=other[1],
                compared=int(np.count_nonzero(here & (expected.known & lanes != 0))),
                wrong=int(np.count_nonzero(wrong)),
                wrong_lines=line_names(bits << DATA_LINES),
            )
        )
    return tuple(found)


def _asked(side: Side, bit: int) -> tuple[int, int]:
    here = (side.responds >> np.uint32(bit) & 1 == 1) & side.judged
    return (
        int(np.count_nonzero(here & (side.read == 1))),
        int(np.count_nonzero(here & (side.read == 0))),
    )


def register_traffic(good: Side | None, bad: Side) -> tuple[RegisterTraffic, ...]:
    """What was written to and read from each register of the I/O chips."""
    found = []
    for bit, ref in enumerate(bad.chips):
        if bad.reading.board.chip(ref).role != "io":
            continue
        offsets = set(_offsets(bad, bit)) | set(_offsets(good, bit) if good is not None else ())
        for offset in sorted(offsets):
            one, two = (_sequences(side, bit, offset) for side in (good, bad))
            shorter = min(len(one[0]), len(two[0]))
            found.append(
                RegisterTraffic(
                    chip=ref,
                    offset=offset,
                    good_written=one[0][:_SHOWN],
                    bad_written=two[0][:_SHOWN],
                    good_read=one[1][:_SHOWN],
                    bad_read=two[1][:_SHOWN],
                    same_written=one[0][:shorter] == two[0][:shorter],
                )
            )
    return tuple(found)


def _offsets(side: Side, bit: int) -> list[int]:
    here = (side.responds >> np.uint32(bit) & 1 == 1) & side.judged
    offsets: list[int] = np.unique(side.inner[bit, here]).tolist()
    return offsets


def _sequences(side: Side | None, bit: int, offset: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Bytes written to and read from one register, repeats folded."""
    if side is None:
        return (), ()
    here = (side.responds >> np.uint32(bit) & 1 == 1) & side.judged
    here &= side.inner[bit] == offset
    return (
        _folded(side.written[here & (side.read == 0) & (side.written_known == 0xFF)]),
        _folded(side.data[here & (side.read == 1) & (side.data_known != 0)]),
    )


def _folded(values: npt.NDArray[np.uint8]) -> tuple[int, ...]:
    if not len(values):
        return ()
    new = np.append(True, values[1:] != values[:-1])
    return tuple(values[new].tolist())


def vectors_read(good: Side | None, bad: Side) -> tuple[tuple[str, int | None, int | None], ...]:
    """Where each vector led the first time it was read."""
    return tuple(
        (name, _vector(good, at), _vector(bad, at))
        for name, at in _VECTORS
        if _vector(good, at) is not None or _vector(bad, at) is not None
    )


def _vector(side: Side | None, at: int) -> int | None:
    if side is None:
        return None
    mask = side.reading.board.address_mask
    n = len(side)
    low = (side.address[: n - 1] == at & mask) & (side.address[1:] == at + 1 & mask)
    low &= side.judged[: n - 1] & (side.read[: n - 1] == 1) & (side.read[1:] == 1)
    rows = np.flatnonzero(low)
    if not len(rows) or side.data_known[rows[0]] != 0xFF or side.data_known[rows[0] + 1] != 0xFF:
        return None
    return int(side.data[rows[0]]) | int(side.data[rows[0] + 1]) << 8


def interrupt_counts(good: Side | None, bad: Side) -> tuple[InterruptCount, ...]:
    """Interrupts and resets in each boot, those that happen in either."""
    kinds = ((Kind.IRQ, "IRQ"), (Kind.NMI, "NMI"), (Kind.BRK, "BRK"), (Kind.RESET, "reset"))
    counted = (InterruptCount(name, _count(good, kind), _count(bad, kind)) for kind, name in kinds)
    return tuple(count for count in counted if count.good or count.bad)


def _count(side: Side | None, kind: Kind) -> int:
    if side is None:
        return 0
    return int(np.count_nonzero(side.reading.program.kind == kind))


def recovery(
    bad: Side, expected: Expected, alignment: Alignment | None, first: Divergence | None
) -> int | None:
    """First cycle after the divergence from which all is as it should be, to the end."""
    if first is None or first.kind not in ("read", "output", "select"):
        return None
    program = bad.reading.program
    last_wrong = np.flatnonzero((expected.wrong != 0) | (bad.off != 0))
    last = max(int(last_wrong[-1]) if len(last_wrong) else 0, first.cycle)
    later = np.flatnonzero((program.first_cycle > last) & (program.kind == Kind.INSTRUCTION))
    if alignment is not None:
        apart = later[alignment.partner[later] < 0]
        later = later[later > apart[-1]] if len(apart) else later
    if len(later) < _ALIKE_AGAIN:
        return None
    return int(program.first_cycle[later[0]])


def find_parting(
    good: Side | None, bad: Side, alignment: Alignment | None, first: Divergence | None
) -> Parting | None:
    """Where the main programs part for good before anything is wrong."""
    if good is None or alignment is None:
        return None
    program = bad.reading.program
    end = first.cycle if first is not None else len(bad)
    mine = np.flatnonzero(
        (program.kind == Kind.INSTRUCTION)
        & (program.first_cycle >= bad.start)
        & (program.first_cycle < end)
        & ~alignment.served
    )
    together = np.flatnonzero(alignment.partner[mine] >= 0)
    if not len(together) or len(mine) - together[-1] <= _ALIKE_AGAIN:
        return None
    if together[-1] > 0 and not _good_goes_on(good, int(alignment.partner[mine[together[-1]]])):
        return None
    row = int(mine[together[-1]])
    partner = int(alignment.partner[row])
    cycle = int(program.first_cycle[row])
    return Parting(
        cycle=cycle,
        good_cycle=int(good.reading.program.first_cycle[partner]),
        pc=int(program.pc[row]),
        instruction=row_words(bad.reading, row),
        cause=_cause(bad, cycle + int(program.length[row])),
    )


def _good_goes_on(good: Side, row: int) -> bool:
    """Whether the good boot shows enough after a row to tell that the other goes elsewhere."""
    return len(good.reading.program) - row > _ALIKE_AGAIN


def _cause(bad: Side, before: int) -> str:
    """The last read of an I/O chip before a cycle, in words."""
    chips = bad.reading.board
    mask = sum(
        1 << bit for bit, ref in enumerate(bad.chips) if chips.chip(ref).role not in ("rom", "ram")
    )
    reads = np.flatnonzero(
        (bad.responds[:before] & np.uint32(mask) != 0)
        & (bad.read[:before] == 1)
        & bad.judged[:before]
    )
    if not len(reads):
        return "what was in memory or in the CPU at power-on"
    cycle = int(reads[-1])
    ref = next(
        ref
        for bit, ref in enumerate(bad.chips)
        if mask >> bit & 1 and bad.responds[cycle] >> bit & 1
    )
    return (
        f"{ref} gave ${int(bad.data[cycle]):02X} at ${int(bad.address[cycle]):04X} in cycle "
        f"{cycle:,}"
    )
