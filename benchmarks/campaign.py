"""Planted faults against the diagnosis, and healthy boots: how often is it right?

    python benchmarks/campaign.py --cases 1500 --healthy 100 --results campaign.jsonl

Prints the table as Markdown. The results file holds a line a case; the same command again goes on
where it was stopped. `docs/drill.md` tells the definitions.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

import numba
import numpy as np
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from bustrace.campaign import (
    Plan,
    board_files,
    cluster,
    made_up_board,
    made_up_io_board,
    run_campaign,
)
from bustrace.campaign.tables import report_lines, worst_families

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
MADE_UP, MADE_UP_IO = 8, 4
SEED = 20


def make_plan(seed: int = SEED) -> Plan:
    """The demo boards, and some that nobody built."""
    known = [board_files(path) for path in sorted(FIXTURES.glob("*/board.toml"))]
    made = [made_up_board(number) for number in range(MADE_UP)]
    made += [made_up_io_board(number) for number in range(MADE_UP_IO)]
    return Plan(seed, (*known, *made))


def machine() -> str:
    """What the figures were made with; no name of a host, no path."""
    return (
        f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()},"
        f" numpy {np.__version__}, numba {numba.__version__}"
    )


def report(plan: Plan, results: list, seconds: float, workers: int | None) -> Iterator[str]:
    """The whole page."""
    planted = sum(r["kind"] == "planted" for r in results)
    yield "# Planted faults against the diagnosis"
    yield ""
    yield f"Seed {plan.seed}: {planted} boots with planted faults, {len(results) - planted} healthy"
    yield f"ones, {len(plan.boards)} boards, in {seconds / 60:.0f} minutes on {workers or 'all'}"
    yield f"worker(s). {machine()}."
    yield ""
    yield 'Families are drawn equally often, then kinds of places, then places: "all" is no'
    yield "forecast for a workshop. What the columns mean: docs/drill.md."
    yield ""
    yield from report_lines(results)
    yield ""
    yield "Least often right: " + ", ".join(
        f"{row.name} ({row.right} of {row.visible})" for row in worst_families(results)
    )


def main() -> None:
    """Run, and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--cases", type=int, default=1500, help="boots with planted faults")
    options.add_argument("--healthy", type=int, default=100, help="healthy boots")
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument("--workers", type=int, help="processes; by default one a core")
    options.add_argument("--dask", metavar="ADDRESS", help="scheduler, as tcp://host:8786")
    options.add_argument("--results", type=Path, default=Path("campaign.jsonl"))
    given = options.parse_args()
    plan, started = make_plan(given.seed), time.perf_counter()
    columns = (TextColumn("cases"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with (
        cluster(given.dask) if given.dask else nullcontext() as executor,
        Progress(*columns, console=Console(stderr=True)) as bar,
    ):
        task = bar.add_task("", total=given.cases + given.healthy)
        results = run_campaign(
            plan,
            given.results,
            planted=given.cases,
            healthy=given.healthy,
            workers=given.workers,
            executor=executor,
            progress=lambda done, of: bar.update(task, completed=done, total=of),
        )
    seconds = time.perf_counter() - started
    sys.stdout.writelines(f"{line}\n" for line in report(plan, results, seconds, given.workers))


if __name__ == "__main__":
    main()
