"""The draft of a board file as TOML text: what was observed, with the evidence as comments."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterable, Sequence

from bustrace.identify import BoardSeen, ChipSeen, ImageSeen, MemorySeen, Placement, SelectSeen
from bustrace.report.layout import WIDTH, clean
from bustrace.units import count_words

MOST_ROWS = 24
"""Rows of addresses that nobody explains."""

_HABITS = {
    "changing": "read, never written, and the bytes change: I/O, or a bus that nobody drives",
    "steady": "read, never written",
    "program": "the program was fetched from here: a ROM without an image, or nobody?",
    "written only": "written, never read",
    "kept": "written and read, and what was written came back",
    "not kept": "written and read, and what was written did not come back",
    "written before": "read, then written",
}


def draft_text(seen: BoardSeen, *, source: str, files: Sequence[str | None], headline: str) -> str:
    """The draft of a board file. It can be used as it stands.

    Parameters
    ----------
    seen : BoardSeen
    source : str
        The capture, as given.
    files : sequence of str or None
        For each of `BoardSeen.images` its path as a board file may name it, or None where it lies
        outside the board file's folder.
    headline : str
        What the capture shows of faults without a board file.

    Returns
    -------
    str
        TOML. Names from files stand in it escaped.
    """
    draft = _Draft()
    _heading(draft, seen, source, headline)
    _cpu_and_clock(draft, seen)
    named = {id(image): file for image, file in zip(seen.images, files, strict=True)}
    for chip in seen.chips:
        draft.lines.append("")
        _chip(draft, chip, named)
    _images_left(draft, seen)
    _unexplained(draft, seen)
    _holds(draft, seen)
    _not_shown(draft, seen)
    return "\n".join(draft.lines) + "\n"


def toml_string(text: str) -> str:
    """Text as a TOML basic string (TOML 1.0, "String").

    Raises
    ------
    ValueError
        The text holds control characters, which a board file may not, or half a surrogate pair,
        which no TOML file can.
    """
    out = []
    for letter in text:
        if unicodedata.category(letter) in ("Cc", "Cf", "Cs") and letter not in "\n\t\r":
            raise ValueError("a board file holds no control characters")
        if letter in '"\\':
            out.append("\\" + letter)
        elif letter.isprintable():
            out.append(letter)
        else:
            out.append(f"\\U{ord(letter):08X}")
    return '"' + "".join(out) + '"'


class _Draft:
    """Lines, written from the top."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def comment(self, text: str, more: str = "") -> None:
        """A paragraph of comment; `more` is put before its later lines."""
        self.lines += textwrap.wrap(
            clean(text),
            WIDTH,
            initial_indent="# ",
            subsequent_indent="# " + more,
            break_on_hyphens=False,
        )

    def part(self, text: str) -> None:
        """Begin a part of comments."""
        self.lines += ["", f"# --- {text} ---"]

    def rows(self, lines: Iterable[str], *, off: bool = False) -> None:
        """Lines of TOML; `off` writes them as comments."""
        self.lines += [f"# {line}" if off else line for line in lines]


def _heading(draft: _Draft, seen: BoardSeen, source: str, headline: str) -> None:
    draft.comment(f"A draft, made by bustrace from {source}.")
    draft.comment(
        "It says what this capture shows and no more. Comments give the evidence, and what only "
        "the board or its schematic can tell. Check it, mend it, and give the chips their own "
        "references: every message will use them."
    )
    draft.comment(
        f"Looked at: {seen.used:,} of {seen.cycles:,} bus cycles (the CPU's own, settled, outside "
        f"reset), which met {seen.met:,} of the 65,536 addresses."
    )
    draft.comment(f"Judged without a board file, the capture shows: {headline}.")
    if seen.contradicted:
        lines = ", ".join(f"{line} ({count:,} cycles)" for line, count in seen.contradicted)
        draft.comment(
            f"WITH CARE: the CPU meant another level than the clips saw on {lines}. Where that is "
            "a fault, this draft shows the fault and not the board."
        )
    if seen.lost:
        draft.comment(
            f"WITH CARE: in {seen.lost:,} cycles the program could not be followed; what ran wild "
            "touched addresses by chance."
        )
    draft.rows(["", "format = 1"])
    draft.comment(
        "Nothing is said about addresses that no chip below holds. Set it to true once all chips "
        "are listed: then they are judged, too."
    )
    draft.rows(["complete = false"])


def _cpu_and_clock(draft: _Draft, seen: BoardSeen) -> None:
    draft.rows(["", "[cpu]"])
    if seen.other_cpu_pins:
        draft.comment(
            f"Captured as {', '.join(seen.other_cpu_pins)}: pins that the NMOS 6502 lacks. "
            "Read the part number off the chip."
        )
    else:
        draft.comment("The family's CPU with no sign of another one; read the number off the chip.")
    draft.rows(['part = "6502"', '# ref = "U1"', "# socketed = true"])
    if seen.clock_hz is not None:
        draft.rows(["", "[clock]"])
        draft.comment("Measured, and no better than the analyser's own clock and sample rate.")
        draft.rows([f'rate = "{seen.clock_hz / 1e6:.4g} MHz"'])
    else:
        draft.rows(["", "# The rate of the clock was not captured.", '# clock = "1 MHz"'])
    if seen.missing_lines:
        draft.lines.append("")
        draft.comment(
            f"No chip is drafted: {', '.join(seen.missing_lines)} not captured, so nobody can say "
            "at which addresses the chips were met. Clip all of A0 to A15 and capture again."
        )


def _chip(draft: _Draft, chip: ChipSeen, named: dict[int, str | None]) -> None:
    if chip.select is not None:
        _select_evidence(draft, chip.select)
    if chip.image is not None:
        _image_evidence(draft, chip.image)
    _content_evidence(draft, chip)
    ranges = _range_rows(chip)
    off = not ranges
    if off and chip.select is not None and chip.select.addresses:
        draft.comment("That fits no decoding a draft could write down; the wiring has to be told.")
    rows = ["[[chips]]", f"ref = {toml_string(chip.ref)}", f'role = "{chip.taken}"', *ranges]
    image = chip.image
    if image is not None:
        file = named[id(image)]
        base = f'base = "{_address(image.places[0].base)}"'
        row = _file_row(file)
        if row is None:
            draft.comment(
                f"{image.image.path} cannot be named here: copy it beside this file, then take "
                "the # off its line below."
            )
            rows += [f"# file = {_safe(image.image.path)}", f"size = {len(image.image)}", base]
        else:
            rows += [row, base]
    elif ranges:
        rows.append(f"size = {_size(chip)}")
    if chip.select is not None:
        row = _select_row(chip.select)
        if row is None:
            draft.comment(
                "The line's name holds control characters, which a board file may not: say with "
                f"--line or in a hookup file that it is select:{chip.ref}."
            )
        else:
            rows.append(row)
    draft.rows(rows, off=off)


def _select_evidence(draft: _Draft, select: SelectSeen) -> None:
    level = "low" if select.active_low else "high"
    if select.lowest is None or select.highest is None:
        draft.comment(f"{select.line} never went {level}: what it selects was not exercised.")
        return
    kinds = [(select.reads, "read"), (select.writes, "write")]
    seen = " and ".join(count_words(n, word) for n, word in kinds if n)
    places = count_words(select.addresses, "address", "addresses")
    text = f"{select.line} seen {level} in {seen} at {places}, "
    text += f"{_span(select.lowest, select.highest)}; "
    text += f"never in the {select.elsewhere:,} cycles at other addresses."
    for n, word in kinds:
        if not n:
            text += f" No {word} there was seen."
    draft.comment(text)
    if select.mixed:
        draft.comment(
            f"At {count_words(select.mixed, 'address', 'addresses')} it was {level} in some cycles "
            "only: a bank bit, another condition, or a fault."
        )
    if select.strays:
        draft.comment(
            f"Left out: {count_words(select.strays, 'cycle')} in which it was {level} beside "
            "another select, at addresses met once or twice."
        )


def _image_evidence(draft: _Draft, image: ImageSeen) -> None:
    best, *mirrors = image.places
    name = image.image.path
    draft.comment(
        f"{name} ({count_words(len(image.image), 'byte')}) lies at {_extent(image, best)}: "
        f"{best.matching:,} of the {best.compared:,} distinct addresses read there hold its bytes. "
        "The others were not read, so its extent is the image's."
    )
    for mirror in mirrors:
        draft.comment(
            f"It repeats at {_extent(image, mirror)}: {mirror.matching:,} of {mirror.compared:,} "
            f"addresses. The decoding seems not to look at {_lines(best.base ^ mirror.base)}."
        )
    if best.matching < best.compared:
        wrong = best.compared - best.matching
        draft.comment(
            f"{count_words(wrong, 'address', 'addresses')} gave other bytes: another revision, "
            "other chips in between, or a fault."
        )


def _content_evidence(draft: _Draft, chip: ChipSeen) -> None:
    if chip.memory is not None:
        _memory_evidence(draft, chip.memory, chip.taken)
    steady = count_words(chip.steady, "address", "addresses")
    changing = count_words(chip.changing, "address", "addresses")
    if chip.taken == "rom" and chip.image is None:
        draft.comment(
            f"Taken for a ROM: {count_words(chip.fetches, 'opcode fetch', 'opcode fetches')}, "
            f"never written, the same byte each time at {steady} read twice or more. "
            "Give its image with --rom, or as file."
        )
    if chip.taken == "io":
        unread = chip.select is not None and not chip.select.reads
        why = "written, never read" if unread else "few addresses, all near each other"
        if chip.changing:
            why += f"; never written and yet changing: {changing}"
        if chip.memory is not None and chip.memory.lost:
            why += "; not all that was written comes back"
        draft.comment(f"Taken for I/O: {why}.")
    if chip.taken == "other" and chip.select is not None and chip.select.addresses:
        draft.comment(
            "What it is the capture does not tell: role is rom, ram, io, logic or other."
            + (f" The same byte each time at {steady} read twice or more." if chip.steady else "")
            + (f" Never written and yet changing: {changing}." if chip.changing else "")
        )


def _memory_evidence(draft: _Draft, memory: MemorySeen, taken: str) -> None:
    judged = memory.returned + memory.lost
    places = count_words(memory.addresses, "address", "addresses")
    text = f"hat was written came back in {memory.returned:,} of {judged:,} reads"
    text += f", at {places}." if memory.returned else "."
    if taken == "ram":
        text = f"Taken for a RAM: w{text} Its size spans what was met; a smaller chip would repeat."
    draft.comment(text if taken == "ram" else f"W{text}")
    if memory.repeats:
        lines = ", ".join(f"A{bit}" for bit in memory.repeats)
        draft.comment(
            f"{lines}: what is written at one level is read at the other, so {memory.size:,} bytes "
            "repeat."
        )
    if memory.lost and taken == "ram":
        draft.comment(f"Not always: {count_words(memory.lost, 'read')} differed.")


def _range_rows(chip: ChipSeen) -> list[str]:
    reads, writes = chip.read_ranges, chip.write_ranges
    if reads is None and writes is None:
        return []
    if chip.taken == "rom" or reads == writes:
        return [f"range = {_ranges(reads or ())}"] if reads else []
    rows = [f"read_range = {_ranges(reads)}"] if reads else []
    return rows + ([f"write_range = {_ranges(writes)}"] if writes else [])


def _ranges(ranges: Sequence[tuple[int, int]]) -> str:
    shown = [f'"{_span(first, last, "-")}"' for first, last in ranges]
    return shown[0] if len(shown) == 1 else f"[{', '.join(shown)}]"


def _size(chip: ChipSeen) -> int:
    if chip.taken == "ram" and chip.memory is not None:
        return chip.memory.size
    ends = [
        end for ranges in (chip.read_ranges, chip.write_ranges) for r in ranges or () for end in r
    ]
    return 1 << (min(ends) ^ max(ends)).bit_length()


def _file_row(file: str | None) -> str | None:
    if file is None:
        return None
    try:
        return f"file = {toml_string(file)}"
    except ValueError:
        return None


def _select_row(select: SelectSeen) -> str | None:
    try:
        line = toml_string(select.line)
    except ValueError:
        return None
    return f'select = {{ line = {line}, active = "{"low" if select.active_low else "high"}" }}'


def _safe(text: str) -> str:
    return '"' + re.sub(r'[\\"]', "_", clean(re.split(r"[/\\]", text)[-1])) + '"'


def _images_left(draft: _Draft, seen: BoardSeen) -> None:
    left = [i for i in seen.images if not any(chip.image is i for chip in seen.chips)]
    if not left or seen.missing_lines:
        return
    draft.part("images without a place")
    for image in left:
        if image.places:
            best = image.places[0]
            draft.comment(
                f"{image.image.path}: {best.matching:,} of {best.compared:,} addresses at "
                f"{_extent(image, best)} hold its bytes, but another image fits better there."
            )
        elif image.nearest is not None and image.nearest.matching:
            best = image.nearest
            draft.comment(
                f"{image.image.path}: found nowhere. At best {best.matching:,} of "
                f"{best.compared:,} addresses at {_extent(image, best)} hold its bytes."
            )
        else:
            draft.comment(f"{image.image.path}: found nowhere; not one of its bytes was read.")


def _unexplained(draft: _Draft, seen: BoardSeen) -> None:
    if not seen.unexplained:
        return
    draft.part("addresses that nobody above explains")
    for row in seen.unexplained[:MOST_ROWS]:
        counts = [(row.reads, "read"), (row.writes, "write")]
        how = ", ".join(count_words(n, word) for n, word in counts if n)
        places = count_words(row.addresses, "address", "addresses")
        again = row.reads > row.addresses
        draft.comment(
            f"{_span(row.first, row.last)}: {places}, {how}; {_HABITS[row.habit]}"
            + (", always the same bytes" if row.habit == "steady" and again else ""),
            more="  ",
        )
    if len(seen.unexplained) > MOST_ROWS:
        draft.comment(f"and {len(seen.unexplained) - MOST_ROWS} more such stretches.")


def _holds(draft: _Draft, seen: BoardSeen) -> None:
    if not seen.holds:
        return
    draft.part("control lines that were low")
    for hold in seen.holds:
        draft.comment(
            f"{hold.line} was low in {count_words(hold.cycles, 'cycle')}, {hold.longest:,} at most "
            f"at a time, in {count_words(hold.stretches, 'stretch', 'stretches')}. Where a healthy "
            "board does that:"
        )
        rows = ["[[holds]]", f'line = "{hold.line}"', 'level = "low"', f"cycles = {hold.longest}"]
        draft.rows(rows, off=True)


def _not_shown(draft: _Draft, seen: BoardSeen) -> None:
    draft.part("not shown by this capture")
    if seen.still_lines:
        lines = ", ".join(
            f"{pin} ({'high' if level else 'low'})" for pin, level in seen.still_lines
        )
        draft.comment(
            f"Address lines that never moved: {lines}. How the decoding takes their other level "
            "was not exercised, and a stuck line would look the same."
        )
    draft.comment(
        "Ranges are the smallest blocks that hold what was seen: chips may reach further, and "
        "repeat. Not shown by any capture: part numbers, sockets, pins, rails, and what makes the "
        "clock, the reset and the interrupts."
    )


def _address(address: int) -> str:
    return f"${address:04X}"


def _span(first: int, last: int, dash: str = " to ") -> str:
    return _address(first) if first == last else f"{_address(first)}{dash}{_address(last)}"


def _extent(image: ImageSeen, place: Placement) -> str:
    return _span(place.base, place.base + len(image.image) - 1)


def _lines(mask: int) -> str:
    return ", ".join(f"A{bit}" for bit in range(16) if mask >> bit & 1)
