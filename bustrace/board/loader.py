"""Ways to a `Board`: a board file, ROM images alone, nothing."""

from __future__ import annotations

import json
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bustrace.board.address_map import build_map
from bustrace.board.images import image_from_bytes, read_image
from bustrace.board.model import Board, Chip, Clip, ClipPlace, Cpu, Image, SelectLine
from bustrace.board.values import TOP, BadValue, parse_address
from bustrace.board.wires import Decoding
from bustrace.capture.model import Note
from bustrace.errors import BoardError, ImageError, nearest

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

MAX_FILE_BYTES = 1 << 20
"""Largest board file that is read."""

FORMAT = 1


def load_board(
    path: str | Path,
    *,
    without: Iterable[str] = (),
    fit: Mapping[str, str | Path] | None = None,
) -> Board:
    """Read a board file.

    Parameters
    ----------
    path : str or Path
        TOML; `docs/board-file.md` explains every key.
    without : iterable of str
        References of chips that are pulled.
    fit : mapping of str to path
        Image that is fitted in place of the file's, by reference.

    Returns
    -------
    Board

    Raises
    ------
    BoardError
        The file cannot be read, is not TOML, has an unknown key or a value that cannot be used.
    """
    path = Path(path)
    raw = _read_toml(path)
    _check_format(raw, path)
    # pydantic takes longer to import than a board file to read; only this function needs it.
    from pydantic import ValidationError

    from bustrace.board.assemble import assemble
    from bustrace.board.schema import BoardFile

    try:
        table = BoardFile.model_validate(raw)
    except ValidationError as error:
        raise _shape_error(error.errors(include_url=False), raw, path) from None
    try:
        return assemble(table, path.parent, str(path), without, fit)
    except BadValue as bad:
        raise _value_error(bad, raw, path) from None


def load_image(path: str | Path) -> Image:
    """A ROM image whose place is not known.

    Raises
    ------
    ImageError
        The file cannot be read, is empty, or holds more than 64 KB.
    """
    try:
        return read_image(Path(path), shown=str(path))
    except BadValue as bad:
        at = re.search(r"@[$0-9A-Fa-fx]+$", str(path))
        raise ImageError(
            bad.what,
            path=path,
            key="--rom",
            expected=bad.expected,
            advice="leave the address out: its bytes tell where it lies" if at else bad.advice,
        ) from None


def board_from_roms(images: Sequence[tuple[str | Path | bytes, int | str]]) -> Board:
    """Board of which only ROM images and their addresses are known.

    Parameters
    ----------
    images : sequence of (path or bytes, address of the first byte)

    Returns
    -------
    Board
        Not complete: it says nothing about other addresses. The CPU is taken for an NMOS 6502.

    Raises
    ------
    ImageError
        An image cannot be read, does not fit below $FFFF or overlaps another.
    """
    chips: list[Chip] = []
    taken: list[tuple[int, int, str]] = []
    for number, (source, place) in enumerate(images, start=1):
        ref = "ROM" if len(images) == 1 else f"ROM{number}"
        shown = f"image {number}" if isinstance(source, bytes) else str(source)
        try:
            first = parse_address(place)
        except BadValue as bad:
            raise ImageError(
                bad.what, path=shown, key="--rom", found=str(place), expected=bad.expected
            ) from None
        try:
            image = (
                image_from_bytes(source, ref)
                if isinstance(source, bytes)
                else read_image(Path(source))
            )
        except BadValue as bad:
            raise ImageError(bad.what, path=shown, key="--rom", expected=bad.expected) from None
        last = first + len(image) - 1
        if last > TOP:
            raise ImageError(
                f"{len(image)} bytes at ${first:04X} run past $FFFF",
                path=shown,
                key="--rom",
                expected=f"an address of ${max(TOP + 1 - len(image), 0):04X} or below",
            )
        for other_first, other_last, other in taken:
            if first <= other_last and other_first <= last:
                raise ImageError(
                    f"the image lies over {other} at ${other_first:04X}-${other_last:04X}",
                    path=shown,
                    key="--rom",
                    expected="images that do not overlap",
                )
        taken.append((first, last, shown))
        chips.append(
            Chip(
                ref,
                role="rom",
                size=len(image),
                base=first,
                images=(image,),
                selects=(SelectLine(f"CS_{ref}", (f"/CS_{ref}", f"{ref}_CS", ref)),),
                decoding=Decoding(((first, last),), ((first, last),)),
            )
        )
    return _cpu_and(chips, "ROM images alone" if chips else "unknown board")


def unknown_board() -> Board:
    """Board of which nothing is known but that an NMOS 6502 is assumed on it."""
    return _cpu_and([], "unknown board")


def _cpu_and(chips: Sequence[Chip], name: str) -> Board:
    cpu = Cpu()
    return Board(
        name=name,
        source="",
        complete=False,
        cpu=cpu,
        clock_hz=None,
        chips=(Chip(cpu.ref, cpu.part, "cpu"), *chips),
        map=build_map(chips, (), complete=False),
        clip=Clip(ClipPlace(cpu.ref)),
        notes=(Note("guess", "the CPU is taken for an NMOS 6502", "--board"),),
    )


def _read_toml(path: Path) -> dict[str, Any]:
    if not path.exists():
        raise BoardError("there is no such file", path=path, expected="a board file")
    if not path.is_file():
        raise BoardError("this is not a file", path=path, expected="a board file")
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise BoardError(f"the file cannot be read: {error.strerror}", path=path) from None
    if len(content) > MAX_FILE_BYTES:
        raise BoardError("the file is larger than 1 MB", path=path, expected="a board file in TOML")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BoardError(
            "the file is not UTF-8 text",
            path=path,
            line=content.count(b"\n", 0, error.start) + 1,
            expected="a board file in TOML, saved as UTF-8",
        ) from None
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise _syntax_error(error, text, path) from None
    _refuse_control_characters(raw, path)
    return raw


def _refuse_control_characters(raw: dict[str, Any], path: Path) -> None:
    """Names and texts of the file are printed: escape codes in them would steer the terminal."""
    waiting: list[object] = [raw]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting += [*value.keys(), *value.values()]
        elif isinstance(value, list):
            waiting += value
        elif isinstance(value, str) and any(
            unicodedata.category(letter) in ("Cc", "Cf", "Cs") and letter not in "\n\t\r"
            for letter in value
        ):
            raise BoardError(
                "a name or text has control characters in it",
                path=path,
                found=value.encode("unicode_escape").decode("ascii"),
                expected="letters, digits, signs and spaces",
            )


def _syntax_error(error: Exception, text: str, path: Path) -> BoardError:
    lines = text.splitlines() or [""]
    match = re.search(r"^(.*) \(at line (\d+), column (\d+)\)$", str(error))
    if match is not None:
        what, line, column = match[1], int(match[2]), int(match[3])
    else:
        what = re.sub(r" \(at end of document\)$", "", str(error))
        line, column = len(lines), len(lines[-1]) + 1
    return BoardError(
        f"this is not TOML: {what[:1].lower()}{what[1:]}",
        path=path,
        line=line,
        column=column,
        found=lines[line - 1].strip() or None if line <= len(lines) else None,
        expected='key = value, texts in quotes: range = "$8000-$FFFF"',
    )


def _check_format(raw: dict[str, Any], path: Path) -> None:
    found = raw.get("format")
    if found is None:
        raise BoardError(
            "the file does not say its format",
            path=path,
            key="format",
            expected="format = 1, before anything else",
        )
    if type(found) is not int or found != FORMAT:
        raise BoardError(
            "this format is not known to this version",
            path=path,
            key="format",
            found=_shown(found),
            expected="format = 1",
        )


_TYPES = {
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "int_type": "a whole number",
    "greater_than_equal": "a number above zero",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
}


def _shape_error(errors: Sequence[ErrorDetails], raw: dict[str, Any], path: Path) -> BoardError:
    """The one error to show: a misspelt key before the key that is missing because of it."""
    from bustrace.board.schema import known_keys

    error = min(errors, key=lambda item: item["type"] != "extra_forbidden")
    loc = error["loc"]
    key = _dotted(loc)
    place = tuple(str(step) for step in loc[:-1] if isinstance(step, str))
    known = known_keys(place)
    if error["type"] == "extra_forbidden":
        word = str(loc[-1])
        near = nearest(word, known)
        advice = f"did you mean {near}?" if near else None
        if place and word in known_keys(()):
            advice = f"{word} belongs to the board: put it above the first [table] of the file"
        return BoardError(
            _with_ref(f"unknown key {word!r}", key, raw),
            path=path,
            key=key,
            found=_shown(_value_at(raw, key)),
            expected="one of " + ", ".join(known) if known else None,
            advice=advice,
        )
    if error["type"] == "missing":
        return BoardError(
            _with_ref("this key is missing", key, raw),
            path=path,
            key=key,
            expected=_hint(str(loc[-1])),
        )
    context = error.get("ctx", {})
    cause = context.get("error")
    if isinstance(cause, BadValue):
        return _value_error(cause.under(key), raw, path)
    expected = context.get("expected") or _TYPES.get(error["type"])
    if error["type"] == "too_long":
        expected = f"at most {context['max_length']} entries"
    return BoardError(
        _with_ref("this value cannot be used", key, raw),
        path=path,
        key=key,
        found=_shown(_value_at(raw, key)),
        expected=str(expected) if expected else error["msg"],
    )


def _hint(key: str) -> str:
    hints = {
        "cpu": 'cpu = "6502"',
        "part": 'part = "6502"',
        "ref": 'ref = "U4", the reference printed on the board',
        "rate": 'rate = "1 MHz"',
        "from": 'from = "U3", the reference of a chip',
        "line": 'line = "RDY"',
        "level": 'level = "low"',
    }
    return hints.get(key, f"{key} = ...")


def _value_error(bad: BadValue, raw: dict[str, Any], path: Path) -> BoardError:
    found = bad.found
    if found is None and not bad.key.startswith("--"):
        found = _shown(_value_at(raw, bad.key))
    return BoardError(
        _with_ref(bad.what, bad.key, raw),
        path=path,
        key=bad.key,
        found=found,
        expected=bad.expected,
        advice=bad.advice,
    )


def _with_ref(what: str, key: str, raw: dict[str, Any]) -> str:
    """The sentence with the chip's reference in front: people do not count tables."""
    match = re.match(r"chips\[\d+\]", key)
    chip = _value_at(raw, match[0]) if match else None
    ref = chip.get("ref") if isinstance(chip, dict) else None
    return f"{ref}: {what}" if isinstance(ref, str) and ref and ref not in what else what


def _dotted(loc: Iterable[int | str]) -> str:
    text = ""
    for step in loc:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


_ABSENT = object()


def _value_at(raw: object, key: str) -> object:
    """Value under a dotted key; the nearest one above it where the key stands for nothing."""
    value: Any = raw
    for step in re.findall(r"\[([^\]]*)\]|([^.\[\]]+)", key):
        word = step[0] or step[1]
        if isinstance(value, list) and word.isdigit() and int(word) < len(value):
            value = value[int(word)]
        elif isinstance(value, dict) and word in value:
            value = value[word]
        elif isinstance(value, dict):
            return _ABSENT
        else:
            break
    return value


def _shown(value: object) -> str | None:
    """A value as it would stand in the file."""
    if value is _ABSENT:
        return None
    try:
        return json.dumps(value, ensure_ascii=False)
    except TypeError:
        return str(value)
