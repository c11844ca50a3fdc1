"""Names of addresses, from a file of plain lines: ``name = $hex``."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from bustrace.errors import InputError

MAX_BYTES = 4 << 20
"""A name for every address takes less."""

_LINE = re.compile(r"([A-Za-z_.][\w.]{0,63})\s*=\s*(?:\$|0x)([0-9A-Fa-f]{1,4})", re.ASCII)
_FORM = "name = $hex, such as main_loop = $E0A3; # begins a comment"


@dataclass(frozen=True, slots=True)
class Symbols:
    """Names and their addresses.

    Attributes
    ----------
    addresses : dict of str to int
    names : dict of int to str
        The first name of each address.
    """

    addresses: dict[str, int] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)


def load_symbols(path: str) -> Symbols:
    """Read a file of names.

    Parameters
    ----------
    path : str
        Lines ``name = $hex``, empty lines, and comments that ``#`` begins. Two names may have one
        address; the listing shows the first.

    Raises
    ------
    InputError
        A file that cannot be read, a line that is none of these, or a name that was given another
        address before.
    """
    try:
        with Path(path).open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise InputError(f"it cannot be read: {error.strerror}", path=path) from error
    if len(content) > MAX_BYTES:
        raise InputError(
            f"it has more than {MAX_BYTES:,} bytes", path=path, expected="a file of names"
        )
    addresses: dict[str, int] = {}
    names: dict[int, str] = {}
    seen: dict[str, int] = {}
    for number, raw in enumerate(content.decode("utf-8", "replace").splitlines(), 1):
        line = raw.partition("#")[0].strip()
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise InputError(
                "this is no name with an address",
                path=path,
                line=number,
                found=line[:60],
                expected=_FORM,
            )
        name, address = match[1], int(match[2], 16)
        if addresses.get(name, address) != address:
            raise InputError(
                f"{name} was ${addresses[name]:04X} in line {seen[name]} already",
                path=path,
                line=number,
                found=line[:60],
                expected="one address for each name",
            )
        addresses[name], seen[name] = address, number
        names.setdefault(address, name)
    return Symbols(addresses, names)
