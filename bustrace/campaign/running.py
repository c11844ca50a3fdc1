"""Run a plan's cases: here, in several processes, or wherever an executor sends them."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from bustrace.campaign.cases import Kind, Plan
from bustrace.campaign.playing import Result, play
from bustrace.campaign.results import ResultsFile

_WAITING = 64
"""Cases that are handed out at a time, so that a large campaign needs little memory."""

Progress = Callable[[int, int], None]


def run_campaign(
    plan: Plan,
    path: str | Path,
    *,
    planted: int,
    healthy: int,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> list[Result]:
    """Play the first cases of a plan; those that the file holds already are not played again.

    Parameters
    ----------
    plan : Plan
    path : path
        Results file; made or resumed.
    planted, healthy : int
        How many cases of each kind.
    workers : int or None
        Processes; None: one a core. 1 plays in this process.
    executor : Executor or None
        Where to send the cases instead, for instance `cluster`'s.
    progress : function (done, of) or None
        Called after each case.

    Returns
    -------
    list of Result
        Of the cases asked for, in the order of their numbers, whatever ran where.

    Raises
    ------
    InputError
        The file cannot be resumed.
    """
    file = ResultsFile(path, plan)
    wanted: list[tuple[Kind, int]] = [("planted", number) for number in range(planted)]
    wanted += [("healthy", number) for number in range(healthy)]
    left = [key for key in wanted if key not in file.results]
    done = len(wanted) - len(left)
    for result in _played(plan, left, workers or os.cpu_count() or 1, executor):
        file.add(result)
        done += 1
        if progress is not None:
            progress(done, len(wanted))
    return [file.results[key] for key in wanted]


@contextmanager
def cluster(address: str) -> Iterator[Any]:
    """An executor on a Dask cluster; needs the extra ``cluster``.

    Parameters
    ----------
    address : str
        The scheduler's, as ``tcp://host:8786``.
    """
    from distributed import Client

    with Client(address) as client:
        yield client.get_executor(pure=False)


def _played(
    plan: Plan, left: Iterable[tuple[Kind, int]], workers: int, executor: Executor | None
) -> Iterator[Result]:
    if executor is not None:
        yield from _sent(plan, left, executor)
    elif workers == 1:
        yield from (play(plan, kind, number) for kind, number in left)
    else:
        # A new interpreter each: forking a process that has threads is not safe.
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            yield from _sent(plan, left, pool)


def _sent(plan: Plan, left: Iterable[tuple[Kind, int]], executor: Executor) -> Iterator[Result]:
    """Results as they come; a bounded number of cases is under way."""
    queue = iter(left)
    waiting: set[Future[Result]] = set()
    while True:
        for kind, number in islice(queue, _WAITING - len(waiting)):
            waiting.add(executor.submit(play, plan, kind, number))
        if not waiting:
            return
        done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
        yield from (future.result() for future in done)
