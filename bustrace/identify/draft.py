"""From a reading without a board file to what a draft of one can say."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from bustrace.board import BadValue, Image, checked_ref
from bustrace.cycles import Cycles, stretches
from bustrace.hookup import ADDRESS_PINS
from bustrace.identify.blocks import aligned_blocks, aligned_hull, covered, dense_blocks, join, runs
from bustrace.identify.images import place_image
from bustrace.identify.memory import FEW_LOST, judge_memory
from bustrace.identify.model import (
    BoardSeen,
    ChipSeen,
    Habit,
    Hold,
    ImageSeen,
    MemorySeen,
    Ranges,
    SelectSeen,
    Taken,
    Touched,
    Unexplained,
)
from bustrace.identify.selects import SelectTrace, trace_select
from bustrace.identify.touched import Accesses, accesses, count
from bustrace.program import Kind, disagreements
from bustrace.reading import Reading

LEAST_CELLS = 4
"""Addresses whose bytes came back, before a chip is taken for a RAM."""

SPARSE = 128
"""Where no select tells, a RAM is drafted as far as one in so many addresses gave back a byte."""

MOST_REGISTERS, WIDEST_REGISTERS = 32, 0x100
"""Addresses of a chip that is no memory and may be I/O, and the block that holds them; beyond, it
may be a broken memory."""

LEAST_CODE, LEAST_REPEATED = 64, 8
"""Addresses of a chip that is taken for a ROM without an image, and those of them that were read
again with the same byte: a program that runs wild executes anything."""

_OTHER_CPU_PINS = ("BE", "AEC", "BA", "VDA", "VPA", "VPB", "ML")
_HELD = ("RDY", "IRQ", "NMI", "SO")
_PAGE, _REGION = 0x100, 0x2000
_LONGEST_REF = 24


def board_seen(reading: Reading, images: Sequence[Image] = ()) -> BoardSeen:
    """Gather what a draft of a board file can be made from; linear but for sorting.

    Parameters
    ----------
    reading : Reading
        Read without a board file.
    images : sequence of Image
        ROM images to find by the bytes that were read.

    Returns
    -------
    BoardSeen
    """
    cycles, hookup = reading.cycles, reading.hookup
    clock_hz = None if not cycles.mean_period_ps else 1e12 / cycles.mean_period_ps
    missing = tuple(pin for pin in ADDRESS_PINS if not hookup.has(pin))
    others = tuple(tap.line for pin in _OTHER_CPU_PINS if (tap := hookup.tap(pin)) is not None)
    seen = accesses(cycles, _fetches(reading), _before_the_vector(reading))
    reason = _why_nothing(reading, missing, seen)
    if reason is not None:
        return BoardSeen(
            len(cycles), len(seen), 0, reason, clock_hz, missing, other_cpu_pins=others
        )
    touched = count(seen)
    placed = tuple(place_image(image, touched) for image in images)
    chips = _chips(reading, seen, touched, placed) if not missing else ()
    return BoardSeen(
        cycles=len(cycles),
        used=len(seen),
        met=int(((touched.reads > 0) | (touched.writes > 0)).sum()),
        reason=None,
        clock_hz=clock_hz,
        missing_lines=missing,
        still_lines=_still(seen) if not missing else (),
        other_cpu_pins=others,
        contradicted=_contradicted(reading),
        lost=int(reading.program.length[reading.program.kind == Kind.LOST].sum()),
        chips=chips,
        images=placed,
        unexplained=_unexplained(touched, chips) if not missing else (),
        holds=_holds(cycles),
    )


def _why_nothing(reading: Reading, missing: Sequence[str], seen: Accesses) -> str | None:
    cycles = reading.cycles
    if not len(cycles):
        return cycles.reason or "no bus cycle was found"
    if missing:
        return None
    if not reading.hookup.has("RW"):
        return "R/W was not captured, so reads cannot be told from writes"
    if not len(seen):
        return "in no cycle does the CPU own the bus outside reset with address and R/W known"
    return None


def _fetches(reading: Reading) -> npt.NDArray[np.bool_]:
    sync = reading.cycles.pin("SYNC")
    fetch: npt.NDArray[np.bool_] = np.where(sync < 2, sync, reading.program.intent.sync) == 1
    return fetch


def _before_the_vector(reading: Reading) -> npt.NDArray[np.bool_]:
    """Cycles of a reset sequence whose addresses are left over from before, and mean nothing."""
    early = np.zeros(len(reading.cycles), dtype=np.bool_)
    rows = reading.program.kind == Kind.RESET
    for first, length in zip(
        reading.program.first_cycle[rows].tolist(),
        reading.program.length[rows].tolist(),
        strict=True,
    ):
        early[first : first + length - 2] = True
    return early


def _still(seen: Accesses) -> tuple[tuple[str, int], ...]:
    high = int(np.bitwise_and.reduce(seen.address))
    low = int(np.bitwise_or.reduce(seen.address))
    return tuple(
        (pin, high >> bit & 1)
        for bit, pin in enumerate(ADDRESS_PINS)
        if high >> bit & 1 == low >> bit & 1
    )


def _contradicted(reading: Reading) -> tuple[tuple[str, int], ...]:
    found = disagreements(reading.cycles, reading.program.intent)
    return tuple((line, found.count(line)[0]) for line in found.lines)


def _holds(cycles: Cycles) -> tuple[Hold, ...]:
    holds = []
    for line in _HELD:
        low = cycles.pin(line) == 0
        first, end = stretches(low)
        lengths = end - first
        if len(lengths):
            holds.append(Hold(line, int(low.sum()), len(lengths), int(lengths.max())))
    return tuple(holds)


def _chips(
    reading: Reading, seen: Accesses, touched: Touched, placed: Sequence[ImageSeen]
) -> tuple[ChipSeen, ...]:
    """Chips with selects, then images and memories that no select tells of."""
    names = _Names()
    traces = [
        (tap.name, trace_select(tap, reading.cycles, tap.name, seen))
        for tap in reading.hookup.selects
        if tap.name in reading.cycles.select_names
    ]
    chosen = _best_images(placed)
    owners = [_owner(image, traces, seen) for image in chosen]
    chips: list[ChipSeen] = []
    for index, (name, trace) in enumerate(traces):
        image = chosen[owners.index(index)] if index in owners else None
        # An image tells more of its chip's extent than was read; not where others answer.
        barred = covered(*(r for _, o in traces if o is not trace for r in _ranges(o.seen)))
        barred |= covered(*(_extents(other) for other in chosen if other is not image))
        chips.append(_selected_chip(names.make(name), trace, image, barred, seen, touched))
    for image in chosen:
        if not any(chip.image is image for chip in chips):
            ranges = runs(covered(_extents(image)) & ~_claimed(chips)) or None
            chips.append(_chip(names.make("ROM"), "rom", None, image, None, ranges, None, touched))
    chips += _memories(names, seen, touched, chips)
    return tuple(chips)


class _Names:
    """References that a board file allows, each given once."""

    def __init__(self) -> None:
        self._taken = {"cpu"}

    def make(self, wish: str) -> str:
        ref = re.sub(r"[^A-Za-z0-9_-]+", "_", wish).strip("_-")[:_LONGEST_REF] or "CHIP"
        try:
            checked_ref(ref)
        except BadValue:
            ref = f"CHIP_{ref}"[:_LONGEST_REF]
        tried, number = ref, 2
        while tried.casefold() in self._taken:
            tried = f"{ref[: _LONGEST_REF - 5]}_{number}"
            number += 1
        self._taken.add(tried.casefold())
        return tried


def _best_images(placed: Sequence[ImageSeen]) -> list[ImageSeen]:
    """Images that were found, without those that lie over a better one."""
    chosen: list[ImageSeen] = []
    taken = covered()
    for image in sorted(placed, key=lambda image: -image.share):
        mine = covered(_extents(image))
        if image.places and not (mine & taken).any():
            chosen.append(image)
            taken |= mine
    return chosen


def _ranges(select: SelectSeen) -> tuple[Ranges | None, Ranges | None]:
    return select.read_ranges, select.write_ranges


def _owner(
    image: ImageSeen, traces: Sequence[tuple[str, SelectTrace]], seen: Accesses
) -> int | None:
    """The select that was asserted in most of the reads of an image's best place."""
    base = image.places[0].base
    inside = seen.read & (seen.address >= base) & (seen.address < base + len(image.image))
    shares = [int((trace.selected & inside).sum()) for _, trace in traces]
    best = int(np.argmax(shares)) if shares else 0
    return best if shares and 2 * shares[best] > int(inside.sum()) else None


def _extents(image: ImageSeen) -> Ranges:
    size = len(image.image)
    return join((place.base, place.base + size - 1) for place in image.places)


def _selected_chip(
    ref: str,
    trace: SelectTrace,
    image: ImageSeen | None,
    barred: npt.NDArray[np.bool_],
    seen: Accesses,
    touched: Touched,
) -> ChipSeen:
    mine, select = seen.where(trace.selected), trace.seen
    memory = judge_memory(mine)
    taken = _taken(select, image, memory, mine, touched)
    reads, writes = _ranges(select)
    if taken != "rom" and select.reads and select.writes and select.both_ranges is not None:
        reads = writes = select.both_ranges
    if image is not None and reads is not None:
        reads = join((*reads, *runs(covered(_extents(image)) & ~barred)))
    return _chip(ref, taken, select, image, memory, reads, writes, touched)


def _taken(
    select: SelectSeen,
    image: ImageSeen | None,
    memory: MemorySeen | None,
    mine: Accesses,
    touched: Touched,
) -> Taken:
    if image is not None:
        return "rom"
    if not select.addresses:
        return "other"
    good = memory is not None and memory.lost <= FEW_LOST * memory.returned
    if memory is not None and good and memory.addresses >= LEAST_CELLS:
        return "ram"
    read = np.unique(mine.address[mine.read])
    repeated = int((touched.reads[read] > 1).sum())
    constant = len(read) > 0 and bool(touched.steady[read].all())
    if not select.writes and mine.fetch.any() and constant:
        if len(read) >= LEAST_CODE and repeated >= LEAST_REPEATED:
            return "rom"
        return "other"
    narrow = select.addresses <= MOST_REGISTERS and _span(select) <= WIDEST_REGISTERS
    return "io" if narrow and (select.writes or not constant) else "other"


def _span(select: SelectSeen) -> int:
    """Addresses of the smallest block that holds all at which it was asserted."""
    low, high = aligned_hull(select.lowest or 0, select.highest or 0)
    return high - low + 1


def _chip(
    ref: str,
    taken: Taken,
    select: SelectSeen | None,
    image: ImageSeen | None,
    memory: MemorySeen | None,
    reads: Ranges | None,
    writes: Ranges | None,
    touched: Touched,
) -> ChipSeen:
    here = covered(reads) & (touched.writes == 0)
    again = here & (touched.reads > 1)
    return ChipSeen(
        ref,
        taken,
        select,
        image,
        memory,
        reads,
        writes,
        steady=int((again & touched.steady).sum()),
        changing=int((again & (touched.byte >= 0) & ~touched.steady).sum()),
        fetches=int(touched.fetches[covered(reads)].sum()),
    )


def _memories(
    names: _Names, seen: Accesses, touched: Touched, chips: Sequence[ChipSeen]
) -> list[ChipSeen]:
    """A RAM where bytes came back and no select was captured."""
    taken = _claimed(chips)
    cells = (touched.returned > 0) & (touched.lost == 0) & ~taken
    if int(cells.sum()) < LEAST_CELLS:
        return []
    never = (touched.writes == 0) & (touched.reads > 0)
    changing = never & (touched.byte >= 0) & ~touched.steady
    barred = taken | never & (touched.fetches > 0) | (touched.lost > 0) | changing
    # Registers keep what is written, too, but they are few and far between.
    blocks = dense_blocks(
        aligned_blocks(cells, barred) or (), cells, least=LEAST_CELLS, one_in=SPARSE
    )
    if not blocks:
        return []
    inside = covered(blocks)
    memory = judge_memory(seen.where(inside[seen.address]))
    if memory is None or memory.lost > FEW_LOST * memory.returned:
        return []
    return [_chip(names.make("RAM"), "ram", None, None, memory, blocks, blocks, touched)]


def _claimed(chips: Sequence[ChipSeen]) -> npt.NDArray[np.bool_]:
    """Addresses of drafted chips, and of the selects of those that could not be drafted."""
    return covered(*(ranges for chip in chips for ranges in (chip.read_ranges, chip.write_ranges)))


def _unexplained(touched: Touched, chips: Sequence[ChipSeen]) -> tuple[Unexplained, ...]:
    loose = ((touched.reads > 0) | (touched.writes > 0)) & ~_claimed(chips)
    found = []
    for page in np.unique(np.flatnonzero(loose) // _PAGE).tolist():
        here = np.flatnonzero(loose[page * _PAGE : (page + 1) * _PAGE]) + page * _PAGE
        by_habit: dict[Habit, list[int]] = {}
        for address in here.tolist():
            by_habit.setdefault(_habit(touched, address), []).append(address)
        if "program" in by_habit:
            # Operands and tables lie between the opcodes.
            by_habit["program"] = sorted(by_habit["program"] + by_habit.pop("steady", []))
        for habit, those in by_habit.items():
            found.append(
                Unexplained(
                    those[0],
                    those[-1],
                    len(those),
                    int(touched.reads[those].sum()),
                    int(touched.writes[those].sum()),
                    habit,
                )
            )
    return _neighbours_joined(found)


def _habit(touched: Touched, address: int) -> Habit:
    if touched.writes[address]:
        if not touched.reads[address]:
            return "written only"
        if touched.lost[address]:
            return "not kept"
        return "kept" if touched.returned[address] else "written before"
    if touched.byte[address] >= 0 and not touched.steady[address]:
        return "changing"
    return "program" if touched.fetches[address] else "steady"


def _neighbours_joined(pages: Sequence[Unexplained]) -> tuple[Unexplained, ...]:
    """Rows of one habit, with no other between them in one region, as one row."""
    joined: list[Unexplained] = []
    for row in sorted(pages, key=lambda row: row.first):
        last = joined[-1] if joined else None
        if last and last.habit == row.habit and last.first // _REGION == row.last // _REGION:
            joined[-1] = Unexplained(
                last.first,
                max(last.last, row.last),
                last.addresses + row.addresses,
                last.reads + row.reads,
                last.writes + row.writes,
                row.habit,
            )
        else:
            joined.append(row)
    return tuple(joined)
