"""Compiling this room's kernels, with a cache on disk where one can be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from bustrace.capture.model import Note

Kernel = TypeVar("Kernel", bound=Callable[..., object])

_uncached: list[str] = []


def compiled(function: Kernel) -> Kernel:
    """Compile with numba, cached on disk; uncached where no cache folder can be written.

    The plain function stays reachable as ``.py_func``.
    """
    from numba import njit

    try:
        kernel = njit(cache=True, nogil=True)(function)
    except RuntimeError:  # numba found no folder it may write to
        _uncached.append(function.__name__)
        kernel = njit(nogil=True)(function)
    return cast(Kernel, kernel)


def cache_notes() -> tuple[Note, ...]:
    """A note when kernels had to be compiled without a cache, else nothing."""
    if not _uncached:
        return ()
    return (
        Note(
            "fact",
            "no folder for compiled code can be written, so every run compiles afresh (1-2 s); "
            "set NUMBA_CACHE_DIR to a folder you own",
        ),
    )
