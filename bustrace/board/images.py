"""ROM images: read with bounds, never from outside the board's folder."""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path, PurePosixPath, PureWindowsPath

import numpy as np

from bustrace.board.model import Image
from bustrace.board.values import BadValue

MAX_IMAGE_BYTES = 1 << 16
"""Largest image file that is read: the 64 KB that the CPU can address."""


def image_from_bytes(content: bytes, name: str, path: str = "") -> Image:
    """An image from its bytes.

    Raises
    ------
    BadValue
        Empty, or larger than `MAX_IMAGE_BYTES`.
    """
    if not content:
        raise BadValue("the image is empty", "a binary file of the chip's size")
    if len(content) > MAX_IMAGE_BYTES:
        raise BadValue(
            "the image is larger than the 64 KB that the CPU can address",
            "a binary file of the chip's size",
        )
    return Image(
        name=name,
        path=path,
        content=np.frombuffer(content, dtype=np.uint8).copy(),
        sha256=hashlib.sha256(content).hexdigest(),
        crc32=zlib.crc32(content),
    )


def read_image(path: Path, name: str | None = None, shown: str | None = None) -> Image:
    """Read a binary image.

    Parameters
    ----------
    path : Path
        Any file; for paths out of a board file call `inside` first.
    name : str or None
        The revision's name, default the file's name without extension.
    shown : str or None
        The path as the user gave it.

    Raises
    ------
    BadValue
        No such file, not readable, empty or too large.
    """
    if not path.exists():
        raise BadValue("there is no such file", "the path of a binary image")
    if not path.is_file():
        raise BadValue("this is not a file", "the path of a binary image")
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_IMAGE_BYTES + 1)
    except OSError as error:
        raise BadValue(f"the file cannot be read: {error.strerror or error}") from None
    return image_from_bytes(content, name or path.stem, shown or str(path))


def inside(folder: Path, text: str) -> Path:
    """Path of a file named in a board file, once it is sure to lie in the board's folder.

    A board file may come from a stranger: absolute paths, ``..`` and links that lead out are
    refused, so that it cannot make bustrace read anything else.

    Raises
    ------
    BadValue
        The path leaves the folder.
    """
    expected = "a path within the board file's folder, such as roms/monitor.bin"
    advice = "copy the file beside the board file"
    windows = PureWindowsPath(text)
    if not text.strip() or "\0" in text:
        raise BadValue("this is not a path", expected)
    if PurePosixPath(text).is_absolute() or windows.drive or windows.root:
        raise BadValue("an absolute path is not allowed here", expected, advice)
    if ".." in windows.parts:
        raise BadValue("the path leaves the board file's folder", expected, advice)
    home = folder.resolve()
    try:
        target = (home / text).resolve()
    except (OSError, RuntimeError):
        raise BadValue("the path cannot be followed", expected) from None
    if not target.is_relative_to(home):
        raise BadValue("the path is a link that leaves the board file's folder", expected, advice)
    return target
