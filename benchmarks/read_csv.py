"""CSV to `Capture` against polars, in fresh processes, on files generated here.

    python benchmarks/read_csv.py [--megabytes 64] [--repeat 3]

Prints seconds, MB/s and peak memory of each, and two ratios: against polars reading the table
alone, and against polars also packing its columns into one integer a row, which is what a capture
is. polars is told nothing and finds no rate or mode.
Imports are counted apart, since a diagnosis imports both numpy and numba anyway.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

SEED = 65_02
LINES = 25

OURS = """
import json, resource, sys, time
t = time.perf_counter()
from bustrace.capture.csv_reader import read_csv
from bustrace.capture import _kernels_csv
imported = time.perf_counter()
capture = read_csv(sys.argv[1])
done = time.perf_counter()
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([imported - t, done - imported, peak, len(capture)]))
"""

POLARS = """
import json, resource, sys, time
t = time.perf_counter()
import polars as pl
imported = time.perf_counter()
table = pl.read_csv(sys.argv[1])
read = time.perf_counter()
word = pl.lit(0, dtype=pl.UInt64)
for bit, name in enumerate(table.columns[1:]):
    word = word + pl.col(name).cast(pl.UInt64) * (1 << bit)
packed = table.select(pl.col(table.columns[0]), word.alias("state"))
times, state = packed[:, 0].to_numpy(), packed["state"].to_numpy()
done = time.perf_counter()
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([imported - t, done - imported, peak, len(state), read - imported]))
"""


def write_table(path: Path, megabytes: float, *, every_sample: bool) -> None:
    """Write a table of 25 lines sampled at 24 MS/s: one row a sample, or only where one moved."""
    random = np.random.default_rng(SEED)
    rows_left = int(megabytes * 1e6 / (2 * LINES + 11))
    sample = 0
    state = 0
    with open(path, "w", newline="\n") as file:
        file.write("Time (us)," + ",".join(f"L{i}" for i in range(LINES)) + "\n")
        while rows_left > 0:
            count = min(rows_left, 100_000)
            rows_left -= count
            steps = np.ones(count, int) if every_sample else random.integers(1, 9, count)
            index = sample + np.cumsum(steps)
            sample = int(index[-1])
            flips = random.integers(1, 1 << LINES, count) & random.integers(1, 1 << LINES, count)
            if every_sample:
                flips[random.random(count) < 0.75] = 0
            flips |= (flips == 0) & (not every_sample)
            states = np.bitwise_xor.accumulate(np.concatenate(([state], flips)))[1:]
            state = int(states[-1])
            cells = np.full((count, 2 * LINES), ord(","), dtype=np.uint8)
            cells[:, ::2] = ord("0") + (states[:, None] >> np.arange(LINES) & 1)
            cells[:, -1] = ord("\n")
            for at, row in zip((index / 24).tolist(), cells, strict=True):
                file.write(f"{at:.5f},{row.tobytes().decode()}")


def fresh(script: str, path: Path) -> list[float]:
    """Run a reader in a new process: import seconds, read seconds, peak MB, rows, and more."""
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parent.parent,
    )
    return list(map(float, json.loads(done.stdout)))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=float, default=64)
    parser.add_argument("--repeat", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for dialect in ("transitions", "every sample"):
            path = Path(folder) / "table.csv"
            write_table(path, asked.megabytes, every_sample=dialect == "every sample")
            size = path.stat().st_size / 1e6
            best = {}
            for name, script in (("bustrace", OURS), ("polars", POLARS)):
                if name == "bustrace":
                    fresh(script, path)  # compiles, where nothing is cached
                runs = [fresh(script, path) for _ in range(asked.repeat)]
                best[name] = min(runs, key=lambda run: run[1])
                imports, seconds, peak, rows = best[name][:4]
                print(
                    f"{dialect:13} {name:9} {seconds:6.3f} s {size / seconds:7.0f} MB/s "
                    f"peak {peak:5.0f} MB, import {imports:.2f} s, {rows:,.0f} rows"
                )
            ours, packed, alone = best["bustrace"][1], best["polars"][1], best["polars"][4]
            print(
                f"{dialect:13} ratio     {alone / ours:6.2f} x polars reading alone, "
                f"{packed / ours:.2f} x with packing"
            )


if __name__ == "__main__":
    main()
