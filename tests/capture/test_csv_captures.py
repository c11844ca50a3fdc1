"""Exports of a simulated board in several dialects, against the true cycles beside them.

Source: the folder of sample-level captures (transistor-level simulation of the CPU), with
`labels.json` and `NAME.truth.npz`.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from bustrace.capture import csv_reader
from bustrace.capture.csv_reader import looks_like_csv, read_csv
from bustrace.capture.model import Capture

NAMES = [
    "a6_stuck_low_behind_cpu",
    "a9_stuck_high",
    "clock_stops",
    "d3_stuck_low_at_cpu",
    "healthy_16_lines",
    "ram_answers_with_rom",
    "reset_held_low",
]
BUSES = {"ADDR": "A", "address": "A", "DATA": "D", "data": "D"}


def true_levels(truth: dict[str, npt.NDArray[np.int64]], line: str) -> npt.NDArray[np.int64] | None:
    """Level of a line in the last sample of each cycle; None where the truth does not tell."""
    if line == "PHI2":
        return np.ones(len(truth["cycle"]), dtype=np.int64)
    if line.lower() in truth:
        return truth[line.lower()]
    if line[0] in "AD" and line[1:].isdigit():
        word = truth["addr" if line[0] == "A" else "data"]
        return word.astype(np.int64) >> int(line[1:]) & 1
    if line in ("CS_RAM", "CS_ROM"):
        return 1 - (truth["csel"].astype(np.int64) >> ("CS_RAM", "CS_ROM").index(line) & 1)
    return None


def meaning(line: str, labels: dict[str, str]) -> str:
    """Which line of the CPU a line of the file is."""
    bus, _, bit = line.rstrip("]").partition("[")
    return labels[line] if line in labels else BUSES[bus] + bit


def check(
    capture: Capture, label: dict[str, object], truth: dict[str, npt.NDArray[np.int64]]
) -> None:
    rate = Fraction(label["sample_rate_hz"])  # type: ignore[arg-type]
    assert capture.rate == rate
    samples = truth["fall_sample"].astype(object) - 1
    times = (samples * 10**12 * rate.denominator // rate.numerator).astype(np.int64)
    rows = np.searchsorted(capture.time_ps, times, "right") - 1
    lines = {meaning(line, label["lines"]): line for line in capture.lines}  # type: ignore[arg-type]
    assert set(lines) == set(label["lines"].values())  # type: ignore[attr-defined]
    seen = 0
    for name, line in lines.items():
        expected = true_levels(truth, name)
        if expected is not None:
            seen += 1
            assert np.array_equal(capture.levels(line)[rows], expected), line
    assert seen >= 10
    assert capture.mode == "timing"
    assert capture.known is None
    # Every row lies on a sample, exactly.
    index = [round(Fraction(t) * rate / 10**12) for t in capture.time_ps.tolist()]
    assert [i * 10**12 * rate.denominator // rate.numerator for i in index] == (
        capture.time_ps.tolist()
    )
    assert not [note for note in capture.notes if note.kind == "doubt"]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_levels_and_rate_are_the_true_ones(
    name: str, captures_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Levels of every line, at the sample before each cycle's end; rate and grid exact."""
    label = json.loads((captures_dir / "labels.json").read_text())[name]
    path = captures_dir / label["file"]
    with np.load(captures_dir / f"{name}.truth.npz") as file:
        truth = {key: file[key] for key in file}
    assert looks_like_csv(path.read_bytes()[:65536])
    plain = read_csv(path)
    check(plain, label, truth)
    monkeypatch.setattr(csv_reader, "SMALL_BYTES", 0)
    compiled = read_csv(path, chunk_bytes=100_001)
    assert compiled.same_as(plain)
    assert compiled.notes == plain.notes


def test_every_table_of_the_folder_is_checked(captures_dir: Path) -> None:
    labels = json.loads((captures_dir / "labels.json").read_text())
    tables = {name for name, label in labels.items() if not label["file"].endswith(".vcd")}
    assert tables == set(NAMES)
    for name in labels.keys() - tables:
        assert not looks_like_csv((captures_dir / labels[name]["file"]).read_bytes()[:65536])
