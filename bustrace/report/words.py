"""Fault ids, rules and probabilities in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bustrace.diagnosis.naming import line_words, listed, natural
from bustrace.faults import OTHER_CHIP, PLACES, RAM_BANK, SELECT, Fault

RULE_WORDS = {
    "bank-wrong": "reads come from another bank than the one selected",
    "bus-cut-in-cycle": "the bus changes hands in the middle of a cycle",
    "bus-held": "the CPU is kept off the bus",
    "bus-taken": "the bus is taken by nobody that the board file declares",
    "captures-compared": "how much of both captures could be compared",
    "clips-agree": "one net, clipped twice, is whole between the clips",
    "clips-disagree": "one net, clipped twice, differs between the clips",
    "bus-rests": "without the clock line, nothing is seen to move from some point on",
    "clip-off": "a line rests while the program ran as though it moved",
    "clock-absent": "the clock line never moves",
    "clock-stops": "the clock stops and stays stopped",
    "clock-limits": "the clock runs outside the CPU's limits",
    "clock-nominal": "the clock is not at the board's own rate",
    "clock-uneven": "some cycles are much longer than the rest",
    "good-boot-unused": "the good boot could not be compared",
    "leaves-good-boot": "the boot leaves the known-good one just there",
    "data-late": "a chip's data come too late for the CPU",
    "line-late": "a line settles later than any maker allows",
    "cpu-departs": "the CPU does something else than its data sheet says",
    "cpu-rests": "the CPU does nothing while its clock runs, and nobody saw RES",
    "cpu-stands": "the CPU stands still while its clock runs",
    "cpu-jam": "the CPU met an instruction that stops it for good",
    "jam-out-of-view": "the CPU had stopped for good before the capture began",
    "answers-unasked": "a chip answers where the board file has none",
    "drives-unasked": "reads are as two chips make them that drive at once",
    "line-marginal": "the CPU takes a line for another level than the clip sees",
    "reads-in-doubt": "a few reads that the CPU took otherwise than the clip",
    "shared-cause": "every chip of a group fails",
    "io-content": "an I/O chip does not give what its sheet says",
    "io-unanswered": "reads of the I/O chip find nobody driving",
    "write-fought": "the chip drives against the CPU in writes",
    "poll-unanswered": "what is polled gives only the byte that was on the bus before",
    "interrupt-never-comes": "the program waits for an interrupt that never comes",
    "interrupt-unheard": "a chip must ask for an interrupt and nobody sees it",
    "irq-held": "IRQ stays low",
    "irq-storm": "interrupts follow each other without end",
    "line-disagrees": "a line is often not at the level that the program implies",
    "line-fails": "a line often does not take the level that the program wants",
    "line-varies": "a line differs between two captures of the same state",
    "line-still": "lines that nothing asked to move",
    "line-stuck": "a line keeps one level where the program needs both",
    "lines-together": "two lines move as one where the program wants them apart",
    "memory-unanswered": "reads of the memory find nobody driving",
    "nmi-held": "NMI stays low",
    "brk-storm": "BRK after BRK: the program has lost its way",
    "program-nonsense": "the CPU runs opcodes that no sheet lists: what it reads is no program",
    "opcode-unlisted": "the CPU obeys an opcode out of a ROM that its data sheet does not list",
    "irq-withdrawn": "IRQ goes away although nobody served it",
    "waits-undeclared": "RDY makes the CPU wait, which the board file does not have",
    "reset-scattered": "RES goes low again and again",
    "nmi-storm": "NMI after NMI, with nothing done in between",
    "not-compared": "the two captures could not be compared",
    "program-lost": "the program cannot be followed to the end",
    "ram-content": "RAM does not give back what was written",
    "rdy-held": "RDY stays low and holds the CPU",
    "reads-nowhere": "reads of addresses where no chip answers",
    "reset-again": "reset came more than once before the last release",
    "reset-held": "reset is never released",
    "reset-repeats": "reset comes again while the program runs",
    "reset-chatter": "reset chatters within one slow edge",
    "reset-early": "reset was released too early",
    "reset-short": "reset was too short",
    "rom-content": "ROM reads differ from the image",
    "runs-empty": "the CPU runs through memory that holds one byte throughout",
    "rom-pages": "ROM reads fit none of the bytes that the image has there",
    "runs-in-ram": "all that the CPU runs is in RAM, and nobody was seen to write it",
    "endless-loop": "the program goes round in a loop that it can never leave",
    "stack-overrun": "calls never return: the stack has run over itself",
    "line-ignored": "a ROM takes no notice of an address line",
    "runs-nowhere": "the CPU runs where no chip answers",
    "select-always": "a select is asserted all the time",
    "select-doubled": "two selects are asserted at once",
    "select-glitches": "a select drops out while its chip is read",
    "select-late": "a select comes too late for the data",
    "select-timing-unseen": "the sample rate does not show whether selects are late",
    "select-missing": "a select does not come where it should",
    "select-wrong": "a select comes where it should not",
    "status-never-changes": "the program waits for ever for a status bit",
    "stray-level": "a line is at the wrong level in a few cycles",
    "stray-read": "a few reads differ from what the chip holds",
    "vector-absent": "the reset vector is never fetched",
    "vector-content": "the reset vector is not the image's",
    "vector-not-taken": "the CPU does not go where the reset vector points",
    "vector-nowhere": "the reset vector leads to where no ROM is",
    "vector-undriven": "nobody drives the reset vector",
}
"""What each rule found, in words. A rule without an entry is shown by its id."""

_PLACE_WORDS = {
    "clip": "as the clip sees it",
    "cpu": "at the CPU's pin",
    "bus": "on the bus",
    "behind": "between the CPU's pin and the other chips",
    "decoder": "at the address decoder's input",
    "read": "in reads",
    "write": "in writes",
}

_OPEN_WORDS = {
    "clip": "to the clip",
    "cpu": "to the CPU's pin",
    "bus": "on the bus",
    "behind": "past the CPU's pin",
    "decoder": "to the address decoder",
    "read": "in reads",
    "write": "in writes",
}
_SELECT_WORDS = {
    "decoder": "at the decoder's output",
    "bus": "on its track",
    "behind": "past the clip",
}

_HEIGHTS = {0: "low", 1: "high", None: "low or high"}

_PROBABILITY_WORDS = (
    (0.9, "very likely"),
    (0.6, "likely"),
    (0.35, "about even"),
    (0.1, "less likely"),
    (0.0, "unlikely"),
)


def fault_words(fault: Fault) -> str:
    """A fault as a technician would say it: ``A9 stuck high on the bus``."""
    place = fault.place or ""
    if fault.family == "open":
        place = _OPEN_WORDS.get(place, f"to {place}")
    elif fault.lines and fault.lines[0].startswith(SELECT):
        place = _SELECT_WORDS.get(place, _place(place))
    else:
        place = _place(place)
    return _words(fault.family, fault.lines, fault.chip or "", fault.level, place)


@dataclass(slots=True)
class _Group:
    """Faults of one kind: some lines, each at some places; or one fault, with its words."""

    family: str
    level: int | None
    lines: list[str]
    places: list[str]
    words: str = ""

    @property
    def at_chips(self) -> bool:
        return bool(self.places[0]) and self.places[0] not in PLACES

    @property
    def size(self) -> int:
        levels = 2 if self.family == "stuck" and self.level is None and not self.words else 1
        return len(self.lines) * len(self.places) * levels

    def __str__(self) -> str:
        if self.words:
            return self.words
        is_open = self.family == "open"
        place = _OPEN_WORDS[self.places[0]] if is_open and not self.at_chips else ""
        if self.at_chips:
            chips = listed(sorted(self.places, key=natural), "or")
            place = f"to {chips}" if is_open else f"at {chips}'s own pin"
        place = place or _place(self.places[0])
        text = _words(self.family, self.lines, "", self.level, place)
        return f"one of {text}" if len(self.lines) > 1 else text


def class_words(faults: Sequence[Fault], *, most: int = 4) -> list[str]:
    """Faults that look alike, condensed: one phrase for all lines of a kind and place.

    Parameters
    ----------
    faults : sequence of Fault
    most : int
        Phrases to give; the last one counts the faults that are left.

    Returns
    -------
    list of str
        The first phrase holds the first fault.
    """
    groups: list[_Group] = []
    for fault in faults:
        place = fault.place or ""
        if fault.family not in ("stuck", "open", "clip") or fault.lines[0].startswith(SELECT):
            groups.append(_Group(fault.family, None, [""], [""], fault_words(fault)))
            continue
        for group in groups:
            if (group.family, group.level, group.places) == (fault.family, fault.level, [place]):
                group.lines.append(fault.lines[0])
                break
        else:
            groups.append(_Group(fault.family, fault.level, [fault.lines[0]], [place]))
    merged: list[_Group] = []
    for group in groups:
        for other in merged:
            if (
                group.at_chips
                and other.at_chips
                and (group.family, group.level, group.lines)
                == (other.family, other.level, other.lines)
            ):
                other.places += group.places
                break
            if not group.words and (group.family, group.lines, group.places) == (
                other.family,
                other.lines,
                other.places,
            ):
                other.level = None  # held, low or high
                break
        else:
            merged.append(group)
    if len(merged) > most:
        rest = sum(group.size for group in merged[most - 1 :])
        return [*map(str, merged[: most - 1]), f"{rest:,} more faults of like effect"]
    return [str(group) for group in merged]


def probability_words(probability: float) -> str:
    """``very likely, 95 %``."""
    word = next(word for least, word in _PROBABILITY_WORDS if probability >= least)
    percent = 100 * probability
    number = "under 1" if percent < 1 else "over 99" if percent > 99 else f"{percent:.0f}"
    return f"{word}, {number} %"


def named_in_words(text: str, faults: Iterable[Fault]) -> str:
    """Text in which the ids of these faults stand as words."""
    for fault in sorted(faults, key=lambda f: -len(str(f))):
        text = text.replace(str(fault), fault_words(fault))
    return text


def _words(family: str, lines: Sequence[str], chip: str, level: int | None, place: str) -> str:
    line = line_words(lines)
    height = _HEIGHTS[level]
    first, _, second = chip.partition("+")
    along = "another chip" if second == OTHER_CHIP else second
    if family == "stuck":
        return f"{line} stuck {height} {place}"
    if family == "open":
        return f"{line} not connected {place}"
    if family == "clip":
        return f"the clip on {line} is off"
    if family == "held":
        return f"{line} held {height}"
    if family == "short":
        return f"{line} shorted together {place}"
    if family == "cell":
        ref, offset, bit = chip.rsplit(".", 2)
        return f"bit {bit} of one byte in {ref} (offset ${offset}) stuck {height}"
    if family == "plane":
        ref, bit = chip.rsplit(".", 1)
        return f"bit {bit} is bad in every byte of {ref}"
    simple = {
        "silent": f"{chip} never drives the bus",
        "always": f"{chip} drives the bus without being selected",
        "doubled": f"{along} drives the bus too where {first} answers",
        "swapped": f"{first} and {second} sit in each other's sockets",
        "content": f"the bytes in {chip} are not those of its image",
        "retention": f"{chip} does not keep what is written to it",
        "register": f"a register of {chip} does not hold what it should",
        "cpu": f"the CPU ({chip}) does not do what its inputs say",
        "clock": "there is no clock" if chip == "absent" else "the clock stops",
        "reset": "reset is held low" if chip == "held" else "reset comes again and again",
        "shared": f"one cause behind {_shared(chip)}",
    }
    return simple[family]


def _shared(name: str) -> str:
    return "the whole RAM bank" if name == RAM_BANK else f"all chips that {name} serves"


def _place(place: str | None) -> str:
    if not place:
        return ""
    return _PLACE_WORDS.get(place, f"at {place}'s own pin")
