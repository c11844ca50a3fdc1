"""Compiling kernels quickly, with a cache on disk where one can be written."""

from __future__ import annotations

import gc
from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar, cast

Kernel = TypeVar("Kernel", bound=Callable[..., object])

_uncached: list[str] = []


def compiled(function: Kernel) -> Kernel:
    """Compile with numba, cached on disk; uncached where no cache folder can be written.

    The kernel makes no arrays, it only fills those handed in. So it need not count references to
    them, which numba would do at every call of a part, atomically: half the time of many kernels.

    The plain function stays reachable as ``.py_func``.
    """
    return _compiled(function, makes_arrays=False)


def compiled_making_arrays(function: Kernel) -> Kernel:
    """As `compiled`, for a kernel that makes the arrays it returns."""
    return _compiled(function, makes_arrays=True)


def _compiled(function: Kernel, *, makes_arrays: bool) -> Kernel:
    from numba import njit

    _hold_the_collector()
    _compare_options_at_once()
    # None is ever called from C.
    options: dict[str, Any] = {"nogil": True, "no_cfunc_wrapper": True}
    if not makes_arrays:
        options["_nrt"] = False
    try:
        kernel = njit(cache=True, **options)(function)
    except RuntimeError:  # numba found no folder it may write to
        _uncached.append(function.__name__)
        kernel = njit(**options)(function)
    return cast(Kernel, kernel)


def compiled_part(function: Kernel) -> Kernel:
    """Have a plain function compiled into the kernels that call it.

    The cache holds those kernels with the part inside: it needs neither an entry of its own nor a
    way in from Python, and compiles the sooner.
    """
    return _part(function, in_place=False)


def compiled_in_place(function: Kernel) -> Kernel:
    """As `compiled_part`, for a long part that a kernel comes by in every step.

    Its code replaces the call. LLVM does that by itself for short parts alone; where a long one
    takes many columns, to hand them over costs more than a call is worth.
    """
    return _part(function, in_place=True)


def _part(function: Kernel, *, in_place: bool) -> Kernel:
    from numba.extending import register_jitable

    options = {"no_cfunc_wrapper": True, "no_rewrites": True}
    if in_place:
        options["forceinline"] = True
    return register_jitable(**options)(function)


def uncached() -> tuple[str, ...]:
    """Names of the kernels that had to be compiled without a cache in this process."""
    return tuple(_uncached)


@cache
def _hold_the_collector() -> None:
    """Have nothing searched for garbage while numba compiles.

    A compilation makes millions of objects that all live until its end; searching them again and
    again takes a seventh of its time.
    """
    from numba.core import event

    class Hold(event.Listener):
        depth = 0
        was_on = False

        def on_start(self, event: Any) -> None:
            if self.depth == 0:
                self.was_on = gc.isenabled()
                gc.disable()
            self.depth += 1

        def on_end(self, event: Any) -> None:
            self.depth -= 1
            if self.depth == 0 and self.was_on:
                gc.enable()

    event.register("numba:compile", Hold())  # type: ignore[no-untyped-call]


@cache
def _compare_options_at_once() -> None:
    """Have numba compare its options as a whole.

    For every call that it types, and for each function that might be meant, it asks whether it has
    been there with the same options, and hashes and compares them one by one by name: a tenth of
    its time. The values that were set tell it at once; where they differ it is asked as before.
    """
    from numba.core import targetconfig

    options: Any = targetconfig.TargetConfig
    if not hasattr(options(), "_values"):
        return  # another numba: it takes its time
    one_by_one = options.__eq__

    def same(self: Any, other: Any) -> Any:
        if type(self) is type(other) and self._values == other._values:
            return True
        return one_by_one(self, other)

    options.__eq__ = same
    options.__hash__ = lambda self: hash(type(self))
