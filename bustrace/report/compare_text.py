"""A comparison as text: what diverges first, who did it, what the boots did besides."""

from __future__ import annotations

from bustrace.compare import Comparison, Divergence, Step, steps_around
from bustrace.compare.instructions import row_words
from bustrace.reading import Reading
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.report.phrases import sentence
from bustrace.units import count_words, format_time

_MARKS: dict[str, Mark] = {
    "no divergence": "good",
    "divergence": "bad",
    "cannot conclude": "doubt",
}

_BLAME = {
    "answer": "The CPU asked the same and another byte came back: the chip that answered, or the "
    "path between it and the CPU.",
    "select": "The address is as it should be and the select is not: the address decoding, or "
    "its path from the CPU.",
    "cpu": "Up to here the CPU read what it should, and what its pins show is something else: the "
    "CPU, its pins and socket, or what else pulls at these lines.",
    "line": "The CPU is held by a control line that others drive: what drives it, its pull-up, or "
    "a short.",
    "marginal": "One line alone, now and then, and the program runs on as though it were right: "
    "its level is near the analyser's threshold, or its clip or ground is loose. No chip is wrong "
    "for that.",
    "clock": "What makes the clock: the oscillator, its divider, the path to the CPU.",
    "reset": "What makes the reset: its circuit, the supply that it watches, a watchdog.",
    "unknown": "That cannot be told from the bus.",
}

_NEXT = {
    "answer": "Look at {lines} at the pins of {chips} and at the CPU in the same capture: where "
    "the level changes between the two is the fault. A socketed {chips} is swapped first, power "
    "off.",
    "select": "Follow {lines} back from the chip to what decodes it, with the decoder's inputs in "
    "the same capture.",
    "cpu": "Power off, measure {lines} against its neighbours, ground and supply; then swap the "
    "CPU if it is socketed, and compare again.",
    "line": "Power off, measure {lines} against ground; then lift its drivers one after another.",
    "marginal": "Look at {lines} with a scope at the CPU's pin: in TTL a level must be below 0.8 V "
    "or above 2.0 V. Seat its clip and ground again, set the analyser's threshold to 1.4 V, and "
    "capture again.",
    "clock": "Look at the clock at its source with a scope, and warm and cool the oscillator.",
    "reset": "Measure the supply first, with a meter at the pins; then look at {lines} at its "
    "source with a scope.",
    "unknown": "Look at the cycles before it in both listings.",
}

_FEW = 6
"""Registers and lines that are told one by one without --all."""


def compare_text(comparison: Comparison, *, everything: bool = False) -> Paper:
    """A comparison for the person at the bench, in 80 columns.

    Parameters
    ----------
    comparison : Comparison
    everything : bool
        Show registers that agree and lines that are folded otherwise.
    """
    paper = Paper()
    paper.say(compare_headline(comparison), indent=0, mark=_MARKS[comparison.verdict])
    _beside_what(paper, comparison)
    if comparison.reason is not None:
        paper.say(sentence(comparison.reason), indent=0)
    if comparison.first is not None:
        _where(paper, comparison, comparison.first)
    _side_by_side(paper, comparison)
    _who(paper, comparison)
    _after(paper, comparison)
    _besides(paper, comparison, everything)
    if comparison.not_compared:
        paper.heading("Not compared")
        for words in comparison.not_compared:
            paper.say(sentence(words), lead="- ")
    return paper


def compare_headline(comparison: Comparison) -> str:
    """The result in a few words."""
    if comparison.first is not None:
        first = comparison.first
        what = " ".join((*first.chips, *first.lines)) or first.instruction
        return f"DIVERGENCE in cycle {first.cycle:,}: {what}"
    return comparison.verdict.upper()


def _beside_what(paper: Paper, comparison: Comparison) -> None:
    bad = comparison.bad
    against = (
        f"the good boot {comparison.good.capture.source or 'capture'}"
        if comparison.good is not None
        else f"the ROM images of {bad.board.name}"
    )
    paper.say(f"{bad.capture.source or 'capture'}, beside {against}", indent=0, mark="quiet")
    if comparison.verdict == "no divergence":
        ran = count_words(comparison.ran_alike, "instruction")
        how = "ran alike" if comparison.good is not None else "were followed"
        paper.say(
            f"{ran} {how}, and every byte that the past decides came back. What was not "
            "exercised is not judged.",
            indent=0,
        )


def _where(paper: Paper, comparison: Comparison, first: Divergence) -> None:
    paper.heading("Where")
    ran = count_words(comparison.ran_alike, "instruction")
    how = "ran alike" if comparison.good is not None else "were as they should be"
    paper.say(f"{ran} {how} before it.")
    place = f"cycle {first.cycle:,}, {format_time(first.time_ps)}"
    if first.good_cycle is not None and first.good_time_ps is not None:
        place += f"; in the good boot cycle {first.good_cycle:,}, {format_time(first.good_time_ps)}"
    at = f" at ${first.pc:04X}" if first.pc is not None else ""
    rows = [
        ("when", place),
        ("in", f"{first.instruction}{at}"),
        ("address", f"${first.address:04X}" if first.address is not None else "not known"),
        ("expected", first.expected),
        ("seen", first.seen),
    ]
    for name, words in rows:
        paper.say(words, cells=[Cell(name, 10)])
    paper.say(sentence(first.text))


def _side_by_side(paper: Paper, comparison: Comparison) -> None:
    steps = steps_around(comparison, before=2, after=2)
    if comparison.first is None or not steps:
        return
    paper.heading("Side by side")
    other = "good boot" if comparison.good is not None else "as it should be"
    paper.rows([f"  {other:<35}   this boot"])
    for step in steps:
        mark: Mark = "bad" if step.diverges else ""
        sign = "=>" if step.diverges else "/ " if step.apart else "* " if step.differs else "  "
        left = (
            _cell(comparison.good, step.good, step.good_row)
            if comparison.good is not None
            else _meant(comparison, step)
        )
        right = _cell(comparison.bad, step.bad, step.bad_row)
        paper.rows([f"  {left:<35} {sign} {right}"[: paper.width].rstrip()], mark=mark)
    legend = "=> the divergence"
    if comparison.good is not None:
        legend += "; * the clips saw something else; / other instructions"
    paper.say(f"{legend}.", mark="quiet")


def _cell(reading: Reading, cycle: int | None, row: int | None) -> str:
    if cycle is None:
        return ""
    cycles = reading.cycles
    address = (
        f"${int(cycles.address[cycle]) & 0xFFFF:04X}"
        if int(cycles.address_known[cycle]) & reading.board.address_mask
        == reading.board.address_mask
        else "$????"
    )
    data = f"${int(cycles.data[cycle]):02X}" if cycles.data_known[cycle] == 0xFF else "$??"
    rw = {0: "w", 1: "r"}.get(int(cycles.pin("RW")[cycle]), "?")
    words = row_words(reading, row) if row is not None else ""
    return f"{cycle:>7,} {rw} {address} {data} {words}"[:36].rstrip()


def _meant(comparison: Comparison, step: Step) -> str:
    if step.bad is None:
        return ""
    intent, cycle = comparison.bad.program.intent, step.bad
    known = int(intent.address_known[cycle]) & comparison.bad.board.address_mask
    whole = known == comparison.bad.board.address_mask
    address = f"${int(intent.address[cycle]) & known:04X}" if whole else "$????"
    data = ""
    if comparison.expected_known[cycle] == 0xFF:
        data = f"${int(comparison.expected[cycle]):02X}"
    elif intent.data_known[cycle] == 0xFF:
        data = f"${int(intent.data[cycle]):02X}"
    rw = {0: "w", 1: "r"}.get(int(intent.rw[cycle]), "?")
    return f"        {rw} {address} {data}".rstrip()


def _who(paper: Paper, comparison: Comparison) -> None:
    first = comparison.first
    if first is None:
        return
    paper.heading("Who")
    paper.say(_BLAME[first.blame])
    chips = " and ".join(first.chips) or "the chip"
    lines = " ".join(first.lines) or "D0 to D7"
    paper.say(_NEXT[first.blame].format(chips=chips, lines=lines), lead="1. ")


def _after(paper: Paper, comparison: Comparison) -> None:
    parting = comparison.parting
    if comparison.first is None and parting is None:
        return
    paper.heading("What follows")
    if parting is not None:
        paper.say(
            f"The boots part in cycle {parting.cycle:,} (good boot {parting.good_cycle:,}), at "
            f"{parting.instruction} at ${parting.pc:04X}, and do not meet again in these captures. "
            f"Nothing was wrong up to there; the last that may differ between boots: "
            f"{parting.cause}."
        )
    if comparison.first is not None and comparison.first.kind in ("read", "output", "select"):
        paper.say(
            f"From cycle {comparison.recovers_at:,} on all is as it should be, to the end."
            if comparison.recovers_at is not None
            else "It does not recover in this capture; what comes later is a consequence, or more "
            "of the same."
        )
    for other in comparison.others:
        paper.say(sentence(f"cycle {other.cycle:,}: {other.text}"), lead="- ")


def _besides(paper: Paper, comparison: Comparison, everything: bool) -> None:
    paper.heading("Both boots" if comparison.good is not None else "This boot")
    for difference in comparison.lines:
        boot = "this boot" if difference.rests_in == "bad" else "the good boot"
        level = (
            ("never selected", "always selected")[difference.level]
            if difference.line.startswith("CS_")
            else f"always {('low', 'high')[difference.level]}"
        )
        paper.say(f"{level} in {boot}, and moves in the other", cells=[Cell(difference.line, 10)])
    for chip in comparison.chips:
        words = f"{count_words(chip.bad_reads, 'read')}, {count_words(chip.bad_writes, 'write')}"
        if comparison.good is not None:
            words += f" (good boot {chip.good_reads:,} and {chip.good_writes:,})"
        if chip.compared:
            wrong = f"{chip.wrong:,} wrong" if chip.wrong else "none wrong"
            where = f" ({' '.join(chip.wrong_lines)})" if chip.wrong_lines else ""
            words += f"; {chip.compared:,} bytes compared, {wrong}{where}"
        elif chip.role in ("rom", "ram"):
            words += "; not exercised so that it could be compared"
        paper.say(words, cells=[Cell(chip.chip, 10)])
    _registers(paper, comparison, everything)
    for name, one, two in comparison.vectors:
        led = f"${two:04X}" if two is not None else "not read"
        if comparison.good is not None and one != two:
            led += f" (good boot {f'${one:04X}' if one is not None else 'not read'})"
        paper.say(f"the {name} vector: {led}", cells=[Cell("vector", 10)])
    for count in comparison.interrupts:
        beside = f" (good boot {count.good:,})" if comparison.good is not None else ""
        paper.say(f"{count.bad:,}{beside}", cells=[Cell(count.kind, 10)])


def _registers(paper: Paper, comparison: Comparison, everything: bool) -> None:
    """Registers that were written another way, or read another way; the rest are counted."""
    if comparison.good is None:
        return
    told = 0
    unlike = [r for r in comparison.registers if not r.same_written or r.good_read != r.bad_read]
    for register in comparison.registers if everything else unlike[:_FEW]:
        told += 1
        parts = []
        for verb, one, two in (
            ("written", register.good_written, register.bad_written),
            ("read", register.good_read, register.bad_read),
        ):
            if one or two:
                parts.append(f"{verb} {_bytes(two)} (good boot {_bytes(one)})")
        paper.say("; ".join(parts), cells=[Cell(f"{register.chip}+{register.offset:X}", 10)])
    left = len(comparison.registers) - told
    if left:
        words = count_words(left, "further I/O register")
        paper.say(f"{words} not shown (--all shows them).", mark="quiet")


def _bytes(values: tuple[int, ...]) -> str:
    if not values:
        return "never"
    shown = " ".join(f"{value:02X}" for value in values[:8])
    return shown + (" ..." if len(values) > 8 else "")
