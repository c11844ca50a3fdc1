"""Which instructions belong to the handlers of interrupts, and how those are nested."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.program.model import Kind, Program

RTI = 0x40

LONGEST_OPEN = 256
"""Rows of a handler without a return, beyond which the program is taken to go on in it."""


def open_interrupts(program: Program) -> npt.NDArray[np.int64]:
    """Interrupts that have not returned in each row: int64, shape (n,).

    The row of an interrupt and the row of its return count as within. A reset ends all.
    """
    begin, end, _ = interrupt_spans(program)
    return _depth(len(program), begin, end)


def handler_rows(program: Program) -> npt.NDArray[np.bool_]:
    """Rows that belong to a handler: bool, shape (n,).

    A handler that goes on and on without a return is where the program went: what a BRK in the
    wild leads to, an entry that drops its return address, an RTI that was not captured.
    """
    begin, end, returned = interrupt_spans(program)
    mine = returned | (end - begin <= LONGEST_OPEN)
    return _depth(len(program), begin[mine], end[mine]) > 0


def interrupt_spans(
    program: Program,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Rows of each IRQ, NMI and BRK: where it is taken, the row after it, whether it returned.

    Without a return it lasts until the next reset, or until the program's end. A return whose
    entry lies before the capture belongs to none.
    """
    enters = np.isin(program.kind, (Kind.IRQ, Kind.NMI, Kind.BRK))
    leaves = (program.kind == Kind.INSTRUCTION) & (program.opcode == RTI)
    resets = program.kind == Kind.RESET
    waiting: list[int] = []
    begin: list[int] = []
    end: list[int] = []
    returned: list[bool] = []
    for row in np.flatnonzero(enters | leaves | resets).tolist():
        if enters[row]:
            waiting.append(row)
            continue
        done = waiting if resets[row] else waiting[-1:]
        begin += done
        end += [row if resets[row] else row + 1] * len(done)
        returned += [not resets[row]] * len(done)
        del waiting[len(waiting) - len(done) :]
    begin += waiting
    end += [len(program)] * len(waiting)
    returned += [False] * len(waiting)
    order = np.argsort(np.array(begin, dtype=np.int64))
    return (
        np.array(begin, dtype=np.int64)[order],
        np.array(end, dtype=np.int64)[order],
        np.array(returned, dtype=np.bool_)[order],
    )


def _depth(
    n: int, begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    steps = np.bincount(begin, minlength=n + 1) - np.bincount(end, minlength=n + 1)
    depth: npt.NDArray[np.int64] = np.cumsum(steps)[:n].astype(np.int64)
    return depth
