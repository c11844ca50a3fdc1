"""The hookup file: line names to pins, kept beside the captures of one board."""

from __future__ import annotations

import tomllib
from pathlib import Path

from bustrace.errors import HookupError, nearest

_KEYS = ("format", "lines")


def load_hookup(path: str | Path) -> dict[str, str]:
    """Read a hookup file.

    ::

        format = 1
        [lines]
        "CH0" = "PHI2"
        "CH1" = "!RES"          # the capture shows the opposite level
        "CH2" = "A0@U7.2"       # clipped elsewhere than at the CPU
        "CH3" = "-"             # leave out

    Returns
    -------
    dict of str to str
        Line name to pin, for `identify_hookup`.

    Raises
    ------
    HookupError
        The file cannot be read, or has an unknown key or a value that is no text.
    """
    path = Path(path)
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise HookupError(
            f"the hookup file cannot be read: {error.strerror or error}", path=path
        ) from None
    except UnicodeDecodeError:
        raise HookupError(
            "the hookup file is not UTF-8 text", path=path, advice="save it as UTF-8"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise HookupError(f"the hookup file is not TOML: {error}", path=path) from None
    for key in content:
        if key not in _KEYS:
            close = nearest(key, _KEYS)
            raise HookupError(
                f"unknown key {key!r}" + (f"; the nearest is {close}" if close else ""),
                path=path,
                key=key,
                expected=" or ".join(_KEYS),
            )
    if "format" not in content or content["format"] is True or content["format"] != 1:
        raise HookupError(
            "the hookup file must say which format it is",
            path=path,
            key="format",
            found=str(content["format"]) if "format" in content else None,
            expected="format = 1",
        )
    lines = content.get("lines", {})
    if not isinstance(lines, dict):
        raise HookupError(
            "lines must be a table of line names and pins",
            path=path,
            key="lines",
            expected='[lines] with entries such as "CH0" = "PHI2"',
        )
    for line, pin in lines.items():
        if not isinstance(pin, str):
            raise HookupError(
                "a pin is written as text",
                path=path,
                key=f"lines.{line}",
                found=str(pin),
                expected='"PHI2", "!RES", "A0@U7.2" or "-"',
            )
    return dict(lines)
