"""Writing a picture to a file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from bustrace.draw.look import own_settings
from bustrace.errors import InputError

_METADATA: dict[str, dict[str, Any]] = {
    ".png": {"Software": None},
    ".svg": {"Date": None, "Creator": None},
    ".pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}


def check_picture_path(path: str | Path) -> None:
    """Refuse a place where no picture can be written, before the work of making it.

    Parameters
    ----------
    path : path

    Raises
    ------
    InputError
        As `save_picture`, as far as it can be told beforehand.
    """
    place = Path(path)
    if place.suffix.lower() not in _METADATA:
        raise InputError(
            "a picture cannot be written in that format",
            path=place,
            found=place.suffix or "no suffix",
            expected=", ".join(_METADATA),
            advice=f"name it {place.stem or 'timeline'}.png, .svg or .pdf",
        )
    if place.is_dir():
        raise InputError("the picture cannot be written: this is a folder", path=place)
    if not place.parent.is_dir():
        raise _unwritable(place, "No such folder")
    if not os.access(place.parent, os.W_OK):
        raise _unwritable(place, "Permission denied")


def _unwritable(place: Path, why: str) -> InputError:
    return InputError(
        f"the picture cannot be written: {why}",
        path=place,
        advice="choose a folder that exists and may be written to",
    )


def save_picture(figure: Figure, path: str | Path, *, dpi: int = 160) -> Path:
    """Write a figure as PNG, SVG or PDF, by the suffix of `path`.

    The file appears whole or not at all: it is written beside its place and then moved there. The
    same figure gives the same bytes: no date, no version, no random ids inside.

    Parameters
    ----------
    figure : matplotlib Figure
    path : path
    dpi : int
        Pixels an inch, for PNG and for the strips inside SVG and PDF.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    InputError
        The suffix is none of the three, or the folder cannot be written.
    """
    check_picture_path(path)
    place = Path(path)
    suffix = place.suffix.lower()
    try:
        handle, temporary = tempfile.mkstemp(suffix=suffix, prefix=".", dir=place.parent)
    except OSError as error:
        raise _unwritable(place, str(error.strerror)) from error
    try:
        with os.fdopen(handle, "wb") as file, own_settings():
            figure.savefig(file, format=suffix[1:], dpi=dpi, metadata=_METADATA[suffix])
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, place)
    except OSError as error:
        _discard(temporary)
        raise InputError(f"the picture cannot be written: {error.strerror}", path=place) from error
    except BaseException:
        _discard(temporary)
        raise
    return place


def _umask() -> int:
    """The process's file mask; it can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _discard(temporary: str) -> None:
    Path(temporary).unlink(missing_ok=True)
