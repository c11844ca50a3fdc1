"""From a 5 MB export to a verdict: cold, with no kernel compiled yet, and warm.

    python benchmarks/first_verdict.py [--megabytes 5]

Cold means a fresh process with an empty numba cache, as on a fresh install; warm is the same
command again. Prints seconds of wall time and of processor time of whole processes; the goals are
under 15 s cold and under 2 s warm on two cores.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bustrace.board import load_board
from bustrace.drill import export, sample, simulate

BOARD = Path(__file__).resolve().parent.parent / "fixtures" / "tide_gauge" / "board.toml"
BYTES_A_CYCLE = {"vcd scalars": 80, "csv transitions": 340}
SEED = 5


def make_export(folder: Path, dialect: str, megabytes: float) -> Path:
    """A boot of the demo board with a dead EPROM output, of about the size wanted."""
    cycles = int(megabytes * 1e6 / BYTES_A_CYCLE[dialect])
    board = load_board(BOARD)
    record = simulate(board, cycles=cycles, seed=SEED)
    path = folder / ("boot." + dialect.split()[0])
    export(sample(record, rate=24_000_000, seed=SEED), path, dialect)
    return path


def timed(path: Path, cache: Path) -> tuple[float, float]:
    """Wall and processor seconds of one `bustrace diagnose` in a fresh process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "bustrace", "diagnose", str(path), "--board", str(BOARD)],
        env={**os.environ, "NUMBA_CACHE_DIR": str(cache)},
        capture_output=True,
        text=True,
        check=False,
    )
    wall = time.perf_counter() - started
    if done.returncode not in (0, 1, 3):
        raise SystemExit(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, cpu


def main() -> None:
    """Print a row a dialect."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--megabytes", type=float, default=5.0)
    megabytes = options.parse_args().megabytes
    print(f"{'export':18} {'MB':>5}   {'cold s':>7} {'cpu':>6}   {'warm s':>7} {'cpu':>6}")
    for dialect in BYTES_A_CYCLE:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            path = make_export(folder, dialect, megabytes)
            size = path.stat().st_size / 1e6
            cold = timed(path, folder / "cache")
            warm = min(timed(path, folder / "cache") for _ in range(3))
        print(
            f"{dialect:18} {size:5.1f}   {cold[0]:7.1f} {cold[1]:6.1f}   "
            f"{warm[0]:7.2f} {warm[1]:6.2f}"
        )


if __name__ == "__main__":
    main()
