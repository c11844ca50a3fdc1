"""Compare a boot with a known-good one, or with the ROM image alone.

Each boot is judged by its own past. The program was executed with what the clips saw the CPU read
(`bustrace.program`), so that what it should put out next is known, whatever an I/O chip, memory
that nobody wrote, or an interrupt at another moment made it do. What is left to judge is what
came back: a ROM gives what it gave in the good boot, RAM what this boot wrote. So reads that may
differ never count, nor does what follows from them; other clock rates, waits and rounds of a
poll cannot count, as nothing is compared by its number. Rows are paired only to tell where in
the good boot the same thing happened.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bustrace.compare.align import Alignment, align, beside
from bustrace.compare.instructions import row_words
from bustrace.compare.marginal import marginal_line
from bustrace.compare.marks import Excused, Mark, chips_of, excused_by, marks_of, only_clips
from bustrace.compare.memory import expected_of, roms_of_images, roms_shown_by
from bustrace.compare.model import Comparison, Divergence, Verdict
from bustrace.compare.sides import Side, line_names, side_of
from bustrace.compare.strays import Cleared, cleared
from bustrace.compare.summaries import (
    chip_traffic,
    find_parting,
    interrupt_counts,
    line_differences,
    lines_not_compared,
    recovery,
    register_traffic,
    vectors_read,
)
from bustrace.program import Kind
from bustrace.reading import Reading

_TOO_SHORT = 20
"""Instructions that must have been followed in each boot before no divergence means anything."""


def compare(good: Reading, bad: Reading) -> Comparison:
    """Compare a boot with a known-good one of the same board.

    Parameters
    ----------
    good, bad : Reading
        Read against the same board. They may differ in clock rate, sample rate, start, lines,
        content of RAM at power-on, moments of interrupts.

    Returns
    -------
    Comparison
        Total: what cannot be compared is said in it. Linear in the cycles.
    """
    mine, other = side_of(good), side_of(bad)
    roms = roms_shown_by(mine)
    shown = cleared(mine, expected_of(mine, roms, frozenset()))
    excused = excused_by(shown.side, shown.expected)
    judged = cleared(other, expected_of(other, roms, excused.chips))
    return _concluded(shown, judged, excused, align(mine, other))


def compare_rom(bad: Reading) -> Comparison:
    """Compare a boot with what the board file's ROM images alone make of it.

    What I/O chips and memory that nobody wrote answered is taken from the capture.

    Parameters
    ----------
    bad : Reading
        Read against a board file with at least one ROM image.

    Returns
    -------
    Comparison
    """
    side = side_of(bad)
    found = cleared(side, expected_of(side, roms_of_images(side), frozenset()))
    return _concluded(None, found, Excused(), None)


def _concluded(
    good_boot: Cleared | None, bad_boot: Cleared, excused: Excused, alignment: Alignment | None
) -> Comparison:
    good = good_boot.side if good_boot is not None else None
    bad, expected = bad_boot.side, bad_boot.expected
    marks = marks_of(bad, expected, excused, good)
    line = marginal_line(bad, expected, excused)
    if line is not None:
        marks = [_marginal(mark) if line in mark.lines else mark for mark in marks]
    divergences = [_divergence(mark, good, bad, alignment) for mark in marks]
    first = divergences[0] if divergences else None
    reason = _reason(good, bad)
    verdict: Verdict = "divergence" if first is not None else "no divergence"
    if first is None and reason is not None:
        verdict = "cannot conclude"
    rows = len(bad.reading.program)
    partner = alignment.partner if alignment is not None else np.full(rows, -1, np.int64)
    return Comparison(
        good=good.reading if good is not None else None,
        bad=bad.reading,
        verdict=verdict,
        reason=reason if first is None else None,
        first=first,
        others=_one_of_each_other_kind(divergences),
        ran_alike=_ran_alike(bad, alignment, first),
        recovers_at=recovery(bad, expected, alignment, first),
        parting=find_parting(good, bad, alignment, first),
        lines=line_differences(good, bad) if good is not None else (),
        chips=chip_traffic(good, bad, expected),
        registers=register_traffic(good, bad),
        vectors=vectors_read(good, bad),
        interrupts=interrupt_counts(good, bad),
        not_compared=(
            *lines_not_compared(good, bad),
            *_excused_words(excused),
            *_clip_words(only_clips(bad, expected)),
            *(good_boot.words("the good boot") if good_boot is not None else ()),
            *bad_boot.words("this boot"),
        ),
        partner=partner,
        expected=expected.byte,
        expected_known=expected.known,
    )


def _one_of_each_other_kind(divergences: list[Divergence]) -> tuple[Divergence, ...]:
    kinds = {divergences[0].kind} if divergences else set()
    found = []
    for divergence in divergences[1:]:
        if divergence.kind not in kinds:
            kinds.add(divergence.kind)
            found.append(divergence)
    return tuple(found)


def _reason(good: Side | None, bad: Side) -> str | None:
    """Why the absence of a divergence would mean nothing."""
    for name, side in (("the good boot", good), ("this boot", bad)):
        if side is None:
            continue
        reading = side.reading
        if not len(reading.cycles):
            return f"{name} shows no bus cycles: {reading.cycles.reason}"
        ran = (reading.program.kind == Kind.INSTRUCTION) & (
            reading.program.first_cycle >= side.start
        )
        if np.count_nonzero(ran) < _TOO_SHORT:
            return f"{name} shows too little of a program to compare"
        if not (side.responds != 0).any():
            return f"{name} has no address that the board file knows"
    return None


def _ran_alike(bad: Side, alignment: Alignment | None, first: Divergence | None) -> int:
    program = bad.reading.program
    end = first.cycle if first is not None else len(bad)
    before = (program.first_cycle < end) & (program.first_cycle >= bad.start)
    if alignment is not None:
        return int(np.count_nonzero(before & (alignment.partner >= 0)))
    return int(np.count_nonzero(before & (program.kind == Kind.INSTRUCTION)))


def _marginal(mark: Mark) -> Mark:
    text = f"{mark.text}; no other line differs, this one now and then, and the program runs on"
    return replace(mark, blame="marginal", chips=(), text=text)


def _divergence(
    mark: Mark, good: Side | None, bad: Side, alignment: Alignment | None
) -> Divergence:
    cycles, program = bad.reading.cycles, bad.reading.program
    inside = mark.cycle < len(bad)
    time_ps = int(cycles.time_ps[mark.cycle]) if inside else int(cycles.clock.stops_ps or 0)
    good_cycle = None
    if good is not None and alignment is not None:
        good_cycle = beside(good, bad, alignment, mark.cycle)
    address, pc, words = None, None, "after the last cycle"
    if inside:
        address = int(bad.address[mark.cycle]) if bad.address[mark.cycle] >= 0 else None
        row = program.row_of(mark.cycle)
        pc = int(program.pc[row]) if program.pc[row] >= 0 else None
        words = row_words(bad.reading, row)
    chips = mark.chips
    if mark.kind == "output" and mark.blame != "marginal" and inside:
        chips = chips_of(bad, mark.cycle)
    return Divergence(
        kind=mark.kind,
        blame=mark.blame,
        cycle=mark.cycle,
        time_ps=time_ps,
        good_cycle=good_cycle,
        good_time_ps=None
        if good is None or good_cycle is None
        else int(good.reading.cycles.time_ps[good_cycle]),
        address=address,
        pc=pc,
        instruction=words,
        lines=mark.lines,
        chips=chips,
        expected=mark.expected,
        seen=mark.seen,
        text=mark.text,
    )


def _excused_words(excused: Excused) -> tuple[str, ...]:
    words = [
        f"{ref}: in the good boot it does not give back what it was given either"
        for ref in sorted(excused.chips)
    ]
    if excused.lines:
        names = " ".join(line_names(excused.lines))
        words.append(f"{names}: in the good boot the clips see something else than the CPU meant")
    words += [
        f"the select of {ref}: in the good boot it is not what the board file says either"
        for ref in sorted(excused.selects)
    ]
    return tuple(words)


def _clip_words(mask: int) -> tuple[str, ...]:
    return tuple(
        f"{line} of the bad boot: its clip is off, the program ran as though it moved"
        for line in line_names(mask)
    )
