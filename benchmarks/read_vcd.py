"""How fast VCD files are read, side by side with two libraries, each in a fresh process.

    python benchmarks/read_vcd.py [--megabytes 40] [--seed 1] [--peers-megabytes 8]

The file is like a bus capture: a clock, fifteen control lines and selects, and a 16-bit address and
8-bit data bus as single lines or, with --vectors, as vectors. Seconds are processor time, user and
system, which a busy machine disturbs least: of the reading call, then of the whole process with
imports; the kernel is compiled and cached before. Peers read a shorter file of the same kind, since
they are slow; rates are compared, not seconds.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

LOAD = "from bustrace.capture import read_vcd; import bustrace.capture._kernels_vcd"
READERS = {
    "bustrace": LOAD,
    # The same once numba has started: what a longer file, or the next file, costs.
    "started": LOAD + "; from pathlib import Path; read_vcd(Path(path).with_name('small.vcd'))",
    "pywellen": "import pywellen",
    "vcdvcd": "import vcdvcd",
}
CALLS = {
    "bustrace": "read_vcd(path)",
    "started": "read_vcd(path)",
    # Both libraries parse changes only when asked for a signal's: ask for all of them.
    "pywellen": "[len(list(v.tv)) for v in pywellen.Waveform(path).all_vars()]",
    "vcdvcd": "parsed = vcdvcd.VCDVCD(path); [len(parsed[s].tv) for s in parsed.signals]",
}
REPEATS = 3


def write_file(path: Path, megabytes: float, seed: int, *, vectors: bool) -> None:
    """Write random bus traffic of about the size asked for."""
    rng = np.random.default_rng(seed)
    widths = {"CK": 1} | {f"C{i}": 1 for i in range(15)}
    widths |= {"ADDR": 16, "DATA": 8} if vectors else {f"B{i}": 1 for i in range(24)}
    codes = {name: chr(33 + i) if i < 9 else f"{chr(33 + i)}a" for i, name in enumerate(widths)}
    names = list(widths)
    with path.open("w") as file:
        file.write("$comment 100 MS/s $end\n$timescale 1 ns $end\n$scope module top $end\n")
        for name, width in widths.items():
            file.write(f"$var wire {width} {codes[name]} {name} $end\n")
        file.write("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
        for name, width in widths.items():
            file.write(f"0{codes[name]}\n" if width == 1 else f"b0 {codes[name]}\n")
        file.write("$end\n")
        time, level = 0, np.zeros(len(names), dtype=int)
        while file.tell() < megabytes * 1e6:
            words = []
            steps = rng.integers(1, 30, size=5000)
            count = rng.integers(1, 4, size=5000)
            which = rng.integers(0, len(names), size=(5000, 3))
            values = rng.integers(0, 1 << 16, size=(5000, 3))
            for step, changes, lines, numbers in zip(steps, count, which, values, strict=True):
                time += 10 * int(step)
                words.append(f"#{time}")
                for line, number in zip(lines[:changes], numbers[:changes], strict=True):
                    name = names[line]
                    if widths[name] == 1:
                        level[line] ^= 1
                        words.append(f"{level[line]}{codes[name]}")
                    else:
                        words.append(f"b{int(number) % (1 << widths[name]):b} {codes[name]}")
            file.write("\n".join(words) + "\n")


def measure(reader: str, path: Path) -> tuple[float, float, float]:
    """Seconds of the call, of the process, and its peak memory in MB."""
    code = (
        "import sys, time, resource; path = sys.argv[1]\n"
        f"{READERS[reader]}\nloaded = time.process_time()\n{CALLS[reader]}\n"
        "done = time.process_time(); peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "print(done - loaded, done, peak / 1024)"
    )
    output = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parent.parent,
    ).stdout
    call, whole, peak = map(float, output.split())
    return call, whole, peak


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=float, default=40)
    parser.add_argument("--peers-megabytes", type=float, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--vectors", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        sizes = {"large": options.megabytes, "small": options.peers_megabytes}
        paths = {}
        for name, megabytes in sizes.items():
            paths[name] = Path(folder) / f"{name}.vcd"
            write_file(paths[name], megabytes, options.seed, vectors=options.vectors)
        measure("bustrace", paths["small"])  # compile
        print(
            f"{'':10}{'MB':>8}{'s':>9}{'MB/s':>9}{'process s':>11}{'peak MB':>9}"
            f"{'fresh x':>10}{'started x':>10}"
        )
        rates = {}
        for reader in READERS:
            path = paths["large" if LOAD in READERS[reader] else "small"]
            megabytes = path.stat().st_size / 1e6
            repeats = REPEATS if LOAD in READERS[reader] else 1
            call, whole, peak = min(measure(reader, path) for _ in range(repeats))
            rates[reader] = rate = megabytes / call
            # How many times faster than this reader the two rows of ours are.
            fresh, started = rates["bustrace"] / rate, rates.get("started", rate) / rate
            print(
                f"{reader:10}{megabytes:8.1f}{call:9.3f}{rate:9.1f}{whole:11.3f}{peak:9.0f}"
                f"{fresh:10.1f}{started:10.1f}"
            )


if __name__ == "__main__":
    main()
