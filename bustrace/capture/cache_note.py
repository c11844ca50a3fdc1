"""A note for a machine on which compiled kernels cannot be kept."""

from __future__ import annotations

from bustrace.capture.model import Note
from bustrace.compiled import uncached


def cache_notes() -> tuple[Note, ...]:
    """A note when kernels had to be compiled without a cache, else nothing."""
    if not uncached():
        return ()
    return (
        Note(
            "fact",
            "no folder for compiled code can be written, so every run compiles afresh (some "
            "seconds); set NUMBA_CACHE_DIR to a folder you own",
        ),
    )
