"""The declarations of a VCD file: IEEE 1364-2005, clause 18.2."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

from bustrace.capture.model import Mode, Note
from bustrace.errors import CaptureError
from bustrace.units import PS_PER_SECOND

_WORD = re.compile(rb"\S+")
_END = re.compile(rb"(?<!\S)\$end(?!\S)")
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_FIRST_READ = 1 << 16
_LONGEST_HEADER = 64 << 20
_MOST_BITS = 1 << 20

_DECLARATIONS = (
    b"$comment",
    b"$date",
    b"$enddefinitions",
    b"$scope",
    b"$timescale",
    b"$upscope",
    b"$var",
    b"$version",
)
_SIMULATION = (b"$dumpall", b"$dumpoff", b"$dumpon", b"$dumpvars")
# Kinds without a level that a probe could have seen.
_WITHOUT_LEVEL = ("real", "realtime", "string", "event")
_UNITS = {
    unit: Fraction(PS_PER_SECOND, 1000**power)
    for power, unit in enumerate(("s", "ms", "us", "ns", "ps", "fs"))
}

# What `write_vcd` says in comments, so that reading gives back what was written.
MARK = "bustrace capture: mode {mode}, rate {rate} S/s, shift {shift_ps} ps, end {end_ps} ps"
GAP_MARK = "bustrace gap: {start_ps} to {end_ps} ps"
END_MARK = "$comment end of capture $end\n"
_MARK = re.compile(
    r"bustrace capture: mode (timing|state), rate (none|\d+/\d+) S/s, "
    r"shift (-?\d+) ps, end (-?\d+) ps"
)
_GAP_MARK = re.compile(r"bustrace gap: (-?\d+) to (-?\d+) ps")


@dataclass(frozen=True, slots=True)
class Variable:
    """One ``$var``.

    Attributes
    ----------
    id_code : bytes
        Several variables may share one.
    kind : str
        ``wire``, ``reg``, ``real``, ...
    width : int
        Number of bits.
    scope : tuple of str
        Names of the scopes around it, outermost first.
    name : str
        Without a bit select.
    bits : tuple of str
        Line names, bit 0 (the last digit of a value) first; empty where there are no levels.
    """

    id_code: bytes
    kind: str
    width: int
    scope: tuple[str, ...]
    name: str
    bits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """What the writer of this project says of the capture it wrote.

    Attributes
    ----------
    mode : {"timing", "state"}
    rate : Fraction or None
    shift_ps : int
        What to add to the file's times.
    end_ps : int
        End of the recording.
    gaps : tuple of (int, int)
        Gaps that the body does not tell: those of state mode.
    """

    mode: Mode
    rate: Fraction | None
    shift_ps: int
    end_ps: int
    gaps: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Header:
    """Everything before the first value.

    Attributes
    ----------
    variables : tuple of Variable
    tick_ps : Fraction or None
        Time unit of the file in ps; None when it states none.
    remarks : tuple of str
        Texts of ``$comment``, ``$version`` and ``$date``.
    mark : Mark or None
    body_at : int
        Place in the file of the first byte after ``$enddefinitions $end``.
    notes : tuple of Note
    """

    variables: tuple[Variable, ...]
    tick_ps: Fraction | None
    remarks: tuple[str, ...]
    mark: Mark | None
    body_at: int
    notes: tuple[Note, ...]


def looks_like_vcd(head: bytes) -> bool:
    """Whether the first bytes of a file start a VCD file."""
    word = _WORD.search(head.removeprefix(_BYTE_ORDER_MARK))
    return word is not None and word[0] in _DECLARATIONS


def parse_tick(text: str) -> Fraction:
    """Time unit in ps of ``1 ns``, ``10us`` or plain ``ns``.

    Raises
    ------
    ValueError
        When the text is no time unit.
    """
    match = re.fullmatch(r"(\d*)\s*([munpf]?s)", text.strip(), re.IGNORECASE)
    if match is None or (match[1] and int(match[1]) == 0):
        raise ValueError(f"{text!r} is no time unit")
    return int(match[1] or 1) * _UNITS[match[2].lower()]


def read_header(file: BinaryIO, path: str | Path) -> Header:
    """Read the declarations from the start of `file`.

    Raises
    ------
    CaptureError
        No ``$enddefinitions``, a declaration that cannot be understood; with its line.
    """
    data = file.read(_FIRST_READ)
    if not data.strip():
        raise CaptureError("the file is empty", path=path, advice="export the capture again")
    while True:
        more = file.read(len(data))
        header = _Declarations(data, path, at_end=not more).parse()
        if header is not None:
            return header
        data += more
        if len(data) > _LONGEST_HEADER:
            raise CaptureError("no $enddefinitions in the first 64 MB", path=path)


class _Declarations:
    """One pass over the declarations; gathers, then makes a `Header`."""

    def __init__(self, data: bytes, path: str | Path, *, at_end: bool) -> None:
        self._data = data
        self._path = path
        self._at_end = at_end
        self._variables: list[Variable] = []
        self._scope: list[str] = []
        self._remarks: list[str] = []
        self._tick_ps: Fraction | None = None
        self._notes: list[Note] = []
        self._latin1 = False
        self._bits = 0

    def parse(self) -> Header | None:
        """The header, or None when the data stop before its end and more can be read."""
        at = len(_BYTE_ORDER_MARK) if self._data.startswith(_BYTE_ORDER_MARK) else 0
        while True:
            word = _WORD.search(self._data, at)
            if word is None:
                self._require_more(len(self._data), "$enddefinitions")
                return None
            keyword = word[0]
            if not keyword.startswith(b"$") or keyword in _SIMULATION:
                raise self._error(
                    "values begin before $enddefinitions",
                    word.start(),
                    found=keyword,
                    expected="a declaration, or $enddefinitions $end",
                )
            end = _END.search(self._data, word.end())
            if end is None or (end.end() == len(self._data) and not self._at_end):
                self._require_more(word.start(), f"$end after {_text(keyword)[0]}")
                return None
            self._declare(keyword, self._data[word.end() : end.start()], word.start())
            at = end.end()
            if keyword == b"$enddefinitions":
                return self._finish(at)

    def _require_more(self, at: int, missing: str) -> None:
        if self._at_end:
            raise self._error(
                f"the file ends before {missing}",
                at,
                advice="the file was cut off: export or copy it again",
            )

    def _declare(self, keyword: bytes, content: bytes, at: int) -> None:
        text, latin1 = _text(content)
        self._latin1 |= latin1
        match keyword:
            case b"$var":
                self._declare_variable(content.split(), at)
            case b"$scope":
                words = text.split()
                if len(words) < 2:
                    raise self._error(
                        "a $scope without a name", at, found=content, expected="$scope module name"
                    )
                self._scope.append(" ".join(words[1:]))
            case b"$upscope":
                if not self._scope:
                    raise self._error("$upscope without a $scope", at)
                self._scope.pop()
            case b"$timescale":
                try:
                    self._tick_ps = parse_tick(text)
                except ValueError:
                    raise self._error(
                        "the $timescale cannot be understood",
                        at,
                        found=content.strip(),
                        expected="1, 10 or 100 and one of s ms us ns ps fs",
                        advice="state it with --time-unit, for instance --time-unit ns",
                    ) from None
            case b"$comment" | b"$version" | b"$date":
                self._remarks.append(" ".join(text.split()))
            case b"$enddefinitions":
                pass
            case _:
                self._notes.append(Note("fact", f"{_text(keyword)[0]} ... $end was skipped"))

    def _declare_variable(self, words: list[bytes], at: int) -> None:
        if len(words) < 4 or not words[1].isdigit():
            raise self._error(
                "a $var that cannot be understood",
                at,
                found=b" ".join(words),
                expected="$var kind size id name $end",
            )
        kind, width, id_code = _text(words[0])[0].lower(), int(words[1]), words[2]
        if not all(33 <= byte <= 126 for byte in id_code):
            raise self._error(
                "an id code with characters that are not allowed",
                at,
                found=id_code,
                expected="printable ASCII, ! to ~",
            )
        name = _text(b" ".join(words[3:]))[0]
        without_level = kind in _WITHOUT_LEVEL
        width = 1 if without_level else width
        self._bits += width
        if width < 1 or self._bits > _MOST_BITS:
            raise self._error(
                "a size that cannot be right", at, found=words[1], expected="1 or more bits"
            )
        base, bits, agrees = split_reference(name, width)
        if not agrees:
            self._notes.append(
                Note("doubt", f"{name} is declared with {width} bits; the size was believed")
            )
        self._variables.append(
            Variable(id_code, kind, width, tuple(self._scope), base, () if without_level else bits)
        )

    def _finish(self, body_at: int) -> Header:
        if not self._variables:
            raise CaptureError(
                "the file declares no signals", path=self._path, advice="export the capture again"
            )
        if self._latin1:
            self._notes.append(Note("guess", "names are not UTF-8 and were read as Latin-1"))
        return Header(
            tuple(self._variables),
            self._tick_ps,
            tuple(self._remarks),
            _find_mark(self._remarks),
            body_at,
            tuple(self._notes),
        )

    def _error(
        self,
        what: str,
        at: int,
        *,
        found: bytes | None = None,
        expected: str | None = None,
        advice: str | None = None,
    ) -> CaptureError:
        return CaptureError(
            what,
            path=self._path,
            line=self._data.count(b"\n", 0, at) + 1,
            found=None if found is None else _text(found)[0],
            expected=expected,
            advice=advice,
        )


def split_reference(reference: str, width: int) -> tuple[str, tuple[str, ...], bool]:
    """Name without bit select, the line names, and whether the select has the right size.

    ``DATA [7:0]`` is DATA[0] to DATA[7]; without a select bits are counted from 0; the first word
    of Verilog's escaped identifiers (``\\a[1] ``) is all name. Line names begin with bit 0, the
    last digit of a value.
    """
    if reference.startswith("\\"):
        base, _, select = reference[1:].partition(" ")
    else:
        match = re.fullmatch(r"(.*[^\s\[]) ?(\[[-\d: ]+\])", reference)
        base, select = (match[1], match[2]) if match else (reference, "")
    match = re.fullmatch(r"\[ ?(-?\d+) ?(?:: ?(-?\d+) ?)?\]", select)
    if match is None:
        if select:
            base = reference
        return base, (base,) if width == 1 else tuple(f"{base}[{i}]" for i in range(width)), True
    left = int(match[1])
    if match[2] is None and width > 1:  # one of an array of buses
        base = f"{base}[{left}]"
        return base, tuple(f"{base}[{i}]" for i in range(width)), True
    right = left if match[2] is None else int(match[2])
    step = 1 if left >= right else -1
    bits = tuple(f"{base}[{right + step * i}]" for i in range(width))
    return base, bits, abs(left - right) + 1 == width


def _text(data: bytes) -> tuple[str, bool]:
    """Text, and whether it had to be taken as Latin-1."""
    try:
        return data.decode("utf-8"), False
    except UnicodeDecodeError:
        return data.decode("latin-1"), True


def _find_mark(remarks: list[str]) -> Mark | None:
    gaps = tuple(
        (int(gap[1]), int(gap[2])) for text in remarks if (gap := _GAP_MARK.fullmatch(text))
    )
    for text in remarks:
        match = _MARK.fullmatch(text)
        if match is not None:
            return Mark(
                mode="state" if match[1] == "state" else "timing",
                rate=None if match[2] == "none" else Fraction(match[2]),
                shift_ps=int(match[3]),
                end_ps=int(match[4]),
                gaps=gaps,
            )
    return None
