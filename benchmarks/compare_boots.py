"""Share of planted faults whose first visible act a comparison finds, and whom it blames.

    python benchmarks/compare_boots.py [BOARDS] [PAIRS] [CYCLES]

BOARDS boards get one fault of every kind each; PAIRS pairs of healthy boots must not diverge; two
boots of CYCLES cycles are compared against the clock. 0 leaves a part out.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import numpy as np
from boot_pairs import (
    demo_board,
    display_of,
    faults_of,
    first_act,
    reading_of,
    run_of,
    some_board,
    ugly_reading,
)
from compare_truth import blame_is_right

from bustrace.compare import compare, compare_rom
from bustrace.drill import sample, simulate
from bustrace.reading import read_boot


def main() -> None:
    """Print the figures."""
    boards = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    cycles = int(sys.argv[3]) if len(sys.argv) > 3 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        if boards:
            faults(Path(folder), boards)
        if pairs:
            healthy(Path(folder), pairs)
    if cycles:
        cost(cycles)


def faults(folder: Path, boards: int) -> None:
    """Faulty boots beside good ones."""
    score: Counter[str] = Counter()
    for number in range(boards):
        rng = np.random.default_rng((11, number))
        board = some_board(number, folder / str(number))
        good = reading_of(run_of(board, rng, display=display_of(board, rng)), rng)
        for fault in faults_of(board, rng):
            seed = int(rng.integers(2**31))
            draws = np.random.default_rng(seed)
            record = run_of(board, draws, fault, display=display_of(board, draws))
            bad = reading_of(record, draws)
            act = first_act(record, bad, np.random.default_rng(seed))
            for name, found in (("good boot", compare(good, bad)), ("image", compare_rom(bad))):
                first = found.first
                if act is None:
                    score[name, "unseen"] += 1
                    if first is not None:
                        score[name, "alarm"] += 1
                        print(f"{name}: {board.name}: {fault}: nothing shows, yet {first}")
                    continue
                score[name, "seen"] += 1
                right = first is not None and first.cycle == act.cycle
                score[name, "cycle"] += right
                score[name, "blame"] += first is not None and blame_is_right(fault, first, board)
                if not right:
                    told = first and (first.cycle, first.blame, first.lines, first.text)
                    print(f"{name}: {board.name}: {fault}: {act} but {told}")
                if first is not None and not blame_is_right(fault, first, board):
                    print(f"{name}: {board.name}: {fault}: blames {first}")
    for name in ("good boot", "image"):
        seen = score[name, "seen"]
        print(
            f"{name}: {seen} faults that show: first cycle right {score[name, 'cycle'] / seen:.1%},"
            f" blame right {score[name, 'blame'] / seen:.1%};"
            f" {score[name, 'unseen']} that do not show, {score[name, 'alarm']} alarms"
        )


def healthy(folder: Path, pairs: int) -> None:
    """Healthy boots beside each other, the ugly ones included."""
    alarms = count = 0
    for number in range(pairs):
        rng = np.random.default_rng((12, number))
        board = some_board(number, folder / f"healthy {number}")
        good, bad = (ugly_reading(board, rng) for _ in range(2))
        for found in (compare(good, bad), compare_rom(bad)):
            count += 1
            if found.verdict != "no divergence":
                alarms += 1
                print(f"healthy: {number}, {board.name}: {found.verdict}, {found.first}")
    print(f"{pairs} healthy pairs, {count} comparisons, {alarms} alarms")


def cost(cycles: int) -> None:
    """Time to compare two long boots that differ in power-on content and interrupts' phase."""
    board = demo_board("tide_gauge")
    good, bad = (
        read_boot(sample(simulate(board, cycles=cycles, seed=seed), rate=16_000_000), board)
        for seed in (1, 2)
    )
    compare(good, bad)
    begun = time.perf_counter()
    found = compare(good, bad)
    print(f"{cycles:,} cycles each: {time.perf_counter() - begun:.1f} s, {found.verdict}")


if __name__ == "__main__":
    main()
