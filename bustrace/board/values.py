"""Single values of a board file: addresses, ranges, sizes, sets of lines.

Each function reads what people write and raises `BadValue` with what would have been accepted;
the loader adds the file and the key.
"""

from __future__ import annotations

import re

TOP = 0xFFFF
"""Highest address of a CPU with 16 address lines."""

MAX_RANGES = 256
"""Ranges in one list."""

ADDRESS_FORMS = '"$8000", "0x8000" or the TOML number 0x8000, from $0000 to $FFFF'
RANGE_FORMS = '"$8000-$FFFF", or a list of them'
SIZE_FORMS = 'bytes as a number, or "2K", "8 KB"'
LINE_SET_FORMS = '"A4-A11", "A13", or a list of them'


class BadValue(ValueError):
    """A value that cannot be used: what is wrong, what is accepted, what to do.

    `key` leads from the place where it is raised to the value; who passes the error on puts the
    way to that place in front.
    """

    def __init__(
        self,
        what: str,
        expected: str | None = None,
        advice: str | None = None,
        *,
        key: str = "",
        found: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.expected = expected
        self.advice = advice
        self.key = key
        self.found = found

    def under(self, key: str) -> BadValue:
        """The same trouble, seen from further out."""
        return BadValue(self.what, self.expected, self.advice, key=key + self.key, found=self.found)


def parse_address(value: object) -> int:
    """Address from an integer, ``$8000``, ``0x8000`` or four bare hex digits ``8000``.

    Raises
    ------
    BadValue
        No address, or not within $0000 to $FFFF.
    """
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise BadValue("this is not an address", ADDRESS_FORMS)
    if isinstance(value, str):
        text = value.strip().replace("_", "")
        match = re.fullmatch(r"(?:\$|0[xX])([0-9A-Fa-f]{1,8})|([0-9A-Fa-f]{4})", text)
        if match is None:
            raise BadValue("this is not an address", ADDRESS_FORMS)
        value = int(match[1] or match[2], 16)
    if not 0 <= value <= TOP:
        raise BadValue("the address lies outside the CPU's 64 KB", ADDRESS_FORMS)
    return value


def parse_ranges(value: object) -> tuple[tuple[int, int], ...]:
    """Ranges, last address included: ``"$8000-$FFFF"``, a list of them, or ``[0x8000, 0xFFFF]``.

    Raises
    ------
    BadValue
        No range, or one that runs backwards.
    """
    if isinstance(value, list) and len(value) == 2 and all(type(end) is int for end in value):
        return (_ordered(parse_address(value[0]), parse_address(value[1])),)
    if isinstance(value, list):
        if not value:
            raise BadValue("the list of ranges is empty", RANGE_FORMS)
        found: list[tuple[int, int]] = []
        for index, item in enumerate(value):
            try:
                found.extend(parse_ranges(item))
            except BadValue as bad:
                raise bad.under(f"[{index}]") from None
            if len(found) > MAX_RANGES:
                raise BadValue("the list has too many ranges", f"at most {MAX_RANGES}")
        return tuple(found)
    if isinstance(value, str):
        ends = re.split(r"\s*(?:-|–|\.\.)\s*", value.strip())
        if len(ends) > 2:
            raise BadValue("this is not one range", RANGE_FORMS)
        try:
            return (_ordered(parse_address(ends[0]), parse_address(ends[-1])),)
        except BadValue as bad:
            raise BadValue(
                bad.what.replace("this is not an address", "this is not a range of addresses"),
                RANGE_FORMS,
            ) from None
    if isinstance(value, int) and not isinstance(value, bool):
        address = parse_address(value)
        return ((address, address),)
    raise BadValue("this is not a range of addresses", RANGE_FORMS)


def _ordered(first: int, last: int) -> tuple[int, int]:
    if last < first:
        raise BadValue(
            f"the range runs backwards: ${last:04X} lies below ${first:04X}", RANGE_FORMS
        )
    return first, last


def parse_size(value: object) -> int:
    """Size in bytes, 1 to 65,536: ``2048``, ``"2K"``, ``"8 KB"``, ``"$800"``.

    Raises
    ------
    BadValue
        No size.
    """
    size = 0
    if isinstance(value, int) and not isinstance(value, bool):
        size = value
    elif isinstance(value, str):
        text = value.strip()
        if match := re.fullmatch(r"(\d{1,6})\s*(?:([kK])\s*(?:i?[bB])?|bytes)?", text):
            size = int(match[1]) * (1024 if match[2] else 1)
        elif match := re.fullmatch(r"(?:\$|0[xX])([0-9A-Fa-f]{1,8})", text):
            size = int(match[1], 16)
    if not 1 <= size <= TOP + 1:
        raise BadValue("this is not a size from 1 byte to 64 KB", SIZE_FORMS)
    return size


def parse_line_set(value: object, letter: str, count: int) -> int:
    """Mask of bus lines from ``"A4-A11"``, ``"A13"`` or a list of them.

    Raises
    ------
    BadValue
        Not lines of the bus `letter` with `count` lines.
    """
    forms = LINE_SET_FORMS.replace("A13", "A3").replace("A", letter) if letter != "A" else ""
    mask = 0
    for item in value if isinstance(value, list) else [value]:
        match = (
            re.fullmatch(rf"{letter}(\d+)(?:\s*(?:-|–|\.\.)\s*{letter}?(\d+))?", item.strip(), re.I)
            if isinstance(item, str)
            else None
        )
        low = int(match[1]) if match else count
        high = int(match[2]) if match and match[2] else low
        if match is None or max(low, high) >= count:
            raise BadValue(
                f"these are not lines of the bus {letter}0 to {letter}{count - 1}",
                forms or LINE_SET_FORMS,
            )
        for bit in range(min(low, high), max(low, high) + 1):
            mask |= 1 << bit
    return mask


def parse_level(value: object) -> int:
    """Level 0 or 1 from ``0``, ``1``, ``"low"`` or ``"high"``.

    Raises
    ------
    BadValue
        No level.
    """
    if isinstance(value, str) and value.strip().lower() in ("low", "high"):
        return int(value.strip().lower() == "high")
    if isinstance(value, int) and not isinstance(value, bool) and value in (0, 1):
        return value
    raise BadValue("this is not a level", '"low" or "high"')
