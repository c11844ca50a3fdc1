"""Exports say what the capture says, read back by bustrace and by libraries from elsewhere."""

from dataclasses import replace

import numpy as np
import polars
import pytest
from vcdvcd import VCDVCD

from bustrace.capture import open_capture
from bustrace.drill import DIALECTS, NAMING, export, line_names, sample, simulate

RATE = 24_000_000


@pytest.fixture(scope="module")
def capture(tide_gauge):
    record = simulate(tide_gauge, cycles=150, seed=2)
    return sample(record, rate=RATE, seed=2)


def suffix(dialect):
    return dialect.split()[0]


@pytest.mark.slow
@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_reads_back_as_the_same_capture(capture, tmp_path, dialect):
    """Every transition at its sample, every line by the name the export gave it."""
    path = tmp_path / f"capture.{suffix(dialect)}"
    names = export(capture, path, dialect)
    assert tuple(names) == capture.lines
    back = open_capture(path)
    assert back.rate == RATE
    assert set(back.lines) == set(names.values())
    # Written times are rounded: compare by the number of the sample.
    index = np.round(back.time_ps * (RATE / 10**12)).astype(int)
    truth = np.round(capture.time_ps * (RATE / 10**12)).astype(int)
    assert np.array_equal(index[: len(truth)], truth)
    assert (index[len(truth) :] > truth[-1]).all()
    for line, name in names.items():
        assert np.array_equal(back.levels(name)[: len(truth)], capture.levels(line)), line
    assert abs(back.end_ps - capture.end_ps) <= 2 * 10**12 // RATE


@pytest.mark.parametrize("dialect", ["vcd scalars", "vcd vectors"])
def test_vcd_agrees_with_vcdvcd(capture, tmp_path, dialect):
    path = tmp_path / "capture.vcd"
    names = export(capture, path, dialect)
    theirs = VCDVCD(str(path))
    unit = 1000 if dialect == "vcd scalars" else 100
    assert float(theirs.timescale["timescale"]) == pytest.approx(unit * 1e-12)
    clock = theirs[f"bench.{names['PHI2']}"].tv
    levels = capture.levels("PHI2").astype(int)
    moved = np.append(0, np.flatnonzero(np.diff(levels)) + 1)
    written = [(round(int(capture.time_ps[row]) / unit), str(levels[row])) for row in moved]
    assert [(int(time), value) for time, value in clock] == written
    if dialect == "vcd vectors":
        signal = theirs["bench.address[15:0]"]
        address = sum(capture.levels(f"A{bit}").astype(int) << bit for bit in range(16))
        for row in range(0, len(capture), 11):
            time = round(int(capture.time_ps[row]) / unit)
            assert int(signal[time], 2) == address[row]


@pytest.mark.parametrize(
    ("dialect", "separator", "skip", "columns"),
    [
        ("csv transitions", ",", 0, 1),
        ("csv semicolon", ";", 0, 1),
        ("csv units", ",", 0, 1),
        ("csv quoted", ",", 0, 1),
        ("csv samples", ",", 7, 1),
        ("csv rate only", ",", 1, 0),
        ("csv every sample", ",", 0, 1),
    ],
)
def test_csv_agrees_with_polars(capture, tmp_path, dialect, separator, skip, columns):
    path = tmp_path / "capture.csv"
    export(capture, path, dialect)
    table = polars.read_csv(path, separator=separator, skip_rows=skip, infer_schema=False)
    levels = table.to_numpy()[:, columns:].astype(int)
    assert levels.shape[1] == len(capture.lines)
    if dialect in ("csv samples", "csv rate only", "csv every sample"):
        assert len(levels) == round(capture.duration_ps * RATE / 10**12)
        keep = np.append(True, (np.diff(levels, axis=0) != 0).any(axis=1))
        levels = levels[keep]
    truth = np.stack([capture.levels(line) for line in capture.lines], axis=1)
    assert np.array_equal(levels[: len(truth)], truth)


def test_same_capture_same_bytes(capture, tmp_path):
    for dialect in DIALECTS:
        for name in ("one", "two"):
            export(capture, tmp_path / name, dialect)
        assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


@pytest.mark.parametrize("naming", NAMING)
def test_names_stay_apart_in_every_naming(tide_gauge, naming):
    lines = line_names(simulate(tide_gauge, cycles=1))
    assert len({NAMING[naming](line) for line in lines}) == len(lines)


def test_times_before_the_trigger_are_negative(tide_gauge, tmp_path):
    record = simulate(tide_gauge, cycles=20)
    early = sample(record, rate=RATE, lines=("PHI2", "RW"), trigger=48)
    path = tmp_path / "capture.csv"
    export(early, path, "csv transitions")
    assert path.read_text().splitlines()[1].startswith("-0.0000020000,")


def test_what_cannot_be_exported_is_refused(capture, tmp_path, tide_gauge):
    path = tmp_path / "x"
    with pytest.raises(ValueError, match="unknown dialect 'csv'"):
        export(capture, path, "csv")
    with pytest.raises(ValueError, match="unknown naming"):
        export(capture, path, "csv units", naming="loud")
    with pytest.raises(ValueError, match="sample rate"):
        export(replace(capture, rate=None), path, "csv samples")
    with pytest.raises(ValueError, match="all levels known"):
        export(replace(capture, known=capture.all_known), path, "csv units")
    few = sample(simulate(tide_gauge, cycles=20), rate=RATE, lines=("PHI2", "A0"))
    with pytest.raises(ValueError, match="A0 to A15"):
        export(few, path, "csv hex")
