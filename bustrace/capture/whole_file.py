"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


@contextmanager
def whole_file(path: str | Path) -> Iterator[BinaryIO]:
    """Write beside the target, then rename: nobody sees half a file.

    Yields
    ------
    binary file
        What is written to it stands at `path` once the block ends without an exception.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    path = Path(path)
    handle, part = tempfile.mkstemp(prefix=path.name + ".", suffix=".part", dir=path.parent)
    try:
        with open(handle, "wb") as file:
            yield file
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(part, 0o666 & ~mask)  # mkstemp makes private files
        os.replace(part, path)
    except BaseException:
        os.unlink(part)
        raise
