"""Compiling kernels, with a cache on disk where one can be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

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


def uncached() -> tuple[str, ...]:
    """Names of the kernels that had to be compiled without a cache in this process."""
    return tuple(_uncached)
