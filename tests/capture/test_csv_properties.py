"""What must hold for any table: chunking, cutting, writing, shifting, reordering, both scanners."""

from __future__ import annotations

import csv
import importlib.util
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType

import numpy as np
import polars
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.capture import csv_reader
from bustrace.capture.csv_reader import read_csv
from bustrace.capture.csv_writer import write_csv
from bustrace.capture.model import Capture
from bustrace.errors import CaptureError


def _strategies() -> ModuleType:
    place = Path(__file__).resolve().parent.parent / "strategies.py"
    spec = importlib.util.spec_from_file_location("strategies", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


captures = _strategies().captures

some = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def read_both(data: bytes, **options: object) -> Capture | str:
    """Read with both scanners, which must agree; the capture, or the error's message."""
    results: list[Capture | str] = []
    small = csv_reader.SMALL_BYTES
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_bytes(data)
        for csv_reader.SMALL_BYTES in (small, 0):
            try:
                results.append(read_csv(path, **options))  # type: ignore[arg-type]
            except CaptureError as error:
                results.append(error.message)
        csv_reader.SMALL_BYTES = small
    first, second = results
    if isinstance(first, Capture):
        assert isinstance(second, Capture)
        assert first.same_as(second)
        assert first.notes == second.notes
        assert (first.known is None) == (second.known is None)
    else:
        assert first == second
    return first


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    """Header and rows of a table with single lines, buses, volts, and all kinds of odd cells."""
    kinds = draw(st.lists(st.sampled_from(["bit", "hex", "bin", "dec", "volt"]), min_size=1))
    runs = draw(st.integers(0, 9))
    kinds = (kinds + ["bit"] * runs)[:12]
    cell = {
        "bit": st.sampled_from(["0", "1"] * 6 + ["x", "z", "H", "l", "-", "", " 1"]),
        "hex": st.integers(0, 255).map("0x{:02X}".format) | st.sampled_from(["0xx4", "x"]),
        "bin": st.integers(0, 1023).map("{:010b}".format) | st.sampled_from(["zzzzzzzz01", "?"]),
        "dec": st.integers(0, 99).map(str) | st.just(""),
        "volt": st.decimals(-1, 6, places=2).map(str) | st.just("-"),
    }
    rows = []
    time = draw(st.integers(-1000, 1000))
    for _ in range(draw(st.integers(1, 8))):
        rows.append([f"{time / 100:.2f}", *(draw(cell[kind]) for kind in kinds)])
        time += draw(st.integers(0, 300))
    return ["t_us", *(f"{kind}{i}" for i, kind in enumerate(kinds))], rows


def text_of(header: list[str], rows: list[list[str]], end: str = "\n", sep: str = ",") -> bytes:
    return "".join(sep.join(row) + end for row in [header, *rows]).encode()


@pytest.mark.slow
@some
@given(tables(), st.sampled_from(["\n", "\r\n"]), st.integers(1, 200))
def test_any_chunking_gives_the_same(
    table: tuple[list[str], list[list[str]]], end: str, chunk: int
) -> None:
    data = text_of(*table, end=end)
    whole = read_both(data)
    parts = read_both(data, chunk_bytes=chunk)
    if isinstance(whole, Capture):
        assert isinstance(parts, Capture)
        assert whole.same_as(parts)
        assert whole.notes == parts.notes
    else:
        assert str(parts).partition(": ")[2] == whole.partition(": ")[2]


@pytest.mark.slow
@some
@given(tables(), st.data())
def test_cut_anywhere_is_an_error_or_a_doubt(
    table: tuple[list[str], list[list[str]]], data: st.DataObject
) -> None:
    """Only a cut between two rows leaves nothing to see: what is left is a whole, shorter table."""
    text = text_of(*table)
    cut = data.draw(st.integers(0, len(text) - 1))
    part = read_both(text[:cut])
    if isinstance(part, Capture) and text[cut - 1 : cut] != b"\n":
        assert any(note.kind == "doubt" and ("cut off" in note.text) for note in part.notes), text[
            :cut
        ]


@pytest.mark.slow
@some
@given(captures())
def test_written_captures_read_back_the_same(capture: Capture) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_csv(capture, path)
        assert [p.name for p in path.parent.iterdir()] == ["a.csv"]
        again = read_both(path.read_bytes())
    assert isinstance(again, Capture)
    assert again.same_as(capture)
    assert not [note for note in again.notes if note.kind == "doubt"]


@pytest.mark.slow
@some
@given(captures(), st.data())
def test_written_captures_cut_anywhere_are_an_error_or_a_doubt(
    capture: Capture, data: st.DataObject
) -> None:
    """Between two rows too, since the number of rows is written above them."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_csv(capture, path)
        text = path.read_bytes()
    part = read_both(text[: data.draw(st.integers(0, len(text) - 2))])
    if isinstance(part, Capture):
        assert any(note.kind == "doubt" for note in part.notes)


def test_empty_capture_is_written_and_read(tmp_path: Path) -> None:
    empty = Capture(
        mode="timing",
        time_ps=np.empty(0, dtype=np.int64),
        state=np.empty(0, dtype=np.uint64),
        known=None,
        lines=("A", 'B, "b"'),
        rate=Fraction(10**9, 7),
        gaps=np.empty((0, 2), dtype=np.int64),
        end_ps=5,
    )
    write_csv(empty, tmp_path / "a.csv")
    assert read_csv(tmp_path / "a.csv").same_as(empty)


def test_failed_writing_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("old")
    good = read_both(b"t_us,A\n0,0\n1,1\n")
    assert isinstance(good, Capture)
    bad = Capture(
        mode=good.mode,
        time_ps=good.time_ps,
        state=good.state,
        known=None,
        lines=("A\nB",),
        rate=None,
        gaps=good.gaps,
        end_ps=good.end_ps,
    )
    with pytest.raises(ValueError, match="cannot be written"):
        write_csv(bad, path)
    assert path.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_written_text_is_what_the_standard_and_the_docstring_say(tmp_path: Path) -> None:
    """RFC 4180 by way of Python's csv module, comment lines apart."""
    capture = read_both(b't_us,"A, ""a""",B\n0,0,x\n1.5,1,1\n')
    assert isinstance(capture, Capture)
    write_csv(capture, tmp_path / "a.csv")
    lines = (tmp_path / "a.csv").read_text().splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    assert rows == [["time_ps", 'A, "a"', "B"], ["0", "0", "x"], ["1500000", "1", "1"]]
    assert "# rate: unknown" in lines


@pytest.mark.slow
@some
@given(tables(), st.integers(-(10**6), 10**6))
def test_shifting_time_shifts_times_only(
    table: tuple[list[str], list[list[str]]], shift: int
) -> None:
    header, rows = table
    later = [[f"{(round(float(row[0]) * 100) + shift) / 100:.2f}", *row[1:]] for row in rows]
    before, after = read_both(text_of(header, rows)), read_both(text_of(header, later))
    if isinstance(before, Capture) and before.rate is None:
        assert isinstance(after, Capture)
        assert (after.time_ps - before.time_ps).tolist() == [shift * 10_000] * len(before)
        assert after.end_ps - before.end_ps == shift * 10_000
        assert after.state.tolist() == before.state.tolist()


@pytest.mark.slow
@some
@given(tables(), st.data())
def test_reordering_columns_reorders_lines_only(
    table: tuple[list[str], list[list[str]]], data: st.DataObject
) -> None:
    header, rows = table
    order = data.draw(st.permutations(range(len(header))))
    before = read_both(text_of(header, rows))
    after = read_both(
        text_of([header[i] for i in order], [[row[i] for i in order] for row in rows])
    )
    if isinstance(before, Capture):
        assert isinstance(after, Capture)
        assert after.time_ps.tolist() == before.time_ps.tolist()
        assert set(after.lines) == set(before.lines)
        for line in before.lines:
            assert after.levels(line).tolist() == before.levels(line).tolist()
        assert (after.rate, after.end_ps, after.mode) == (before.rate, before.end_ps, before.mode)


def plain_reading(text: str) -> list[tuple[Fraction, list[int]]]:
    """Rows of a table of single lines, read with Python's csv module: the oracle."""
    level = {"0": 0, "1": 1, "L": 0, "l": 0, "H": 1, "h": 1}
    rows = list(csv.reader(text.splitlines()))[1:]
    read = [(Fraction(row[0]), [level.get(cell.strip(), 2) for cell in row[1:]]) for row in rows]
    latest = dict(read)
    kept: list[tuple[Fraction, list[int]]] = []
    for time, levels in latest.items():
        if not kept or kept[-1][1] != levels:
            kept.append((time, levels))
    return kept


@pytest.mark.slow
@some
@given(
    st.integers(1, 30).flatmap(
        lambda width: st.lists(
            st.lists(
                st.sampled_from(["0", "1"] * 5 + ["x", "Z", "h", "L", ""]),
                min_size=width,
                max_size=width,
            ),
            min_size=2,
            max_size=12,
        )
    ),
    st.data(),
)
def test_against_a_plain_reading(cells: list[list[str]], data: st.DataObject) -> None:
    steps = data.draw(st.lists(st.integers(0, 9), min_size=len(cells), max_size=len(cells)))
    times = [f"{time / 10:.1f}" for time in np.cumsum(steps).tolist()]
    text = "t_us," + ",".join(f"L{i}" for i in range(len(cells[0]))) + "\n"
    text += "".join(f"{time},{','.join(row)}\n" for time, row in zip(times, cells, strict=True))
    capture = read_both(text.encode())
    assert isinstance(capture, Capture)
    expected = plain_reading(text)
    if capture.rate is None:
        assert capture.time_ps.tolist() == [time * 10**6 for time, _ in expected]
    found = np.array([capture.levels(line) for line in capture.lines]).T
    assert found.tolist() == [levels for _, levels in expected]


@pytest.mark.slow
@pytest.mark.parametrize("moving", [1.0, 0.2], ids=["transitions", "every sample"])
def test_against_polars(tmp_path: Path, moving: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """polars (a general-purpose table library) finds the same values, column by column."""
    random = np.random.default_rng(7)
    count = 4000
    steps = random.integers(1, 9, count) if moving == 1.0 else np.ones(count, int)
    index = np.cumsum(steps)
    levels = random.integers(0, 2, (count, 21))
    levels[1:][random.random(count - 1) >= moving] = -1
    for row in range(1, count):
        if levels[row, 0] < 0:
            levels[row] = levels[row - 1]
    bus = np.where(levels[:, 0] == 1, 0xA9, 0x5C)
    path = tmp_path / "a.csv"
    with path.open("w") as file:
        file.write("Time (us)," + ",".join(f"L{i}" for i in range(21)) + ",D\n")
        for at, row, word in zip(index.tolist(), levels.tolist(), bus.tolist(), strict=True):
            file.write(f"{at / 24:.5f},{','.join(map(str, row))},0x{word:02X}\n")
    table = polars.read_csv(path)
    for csv_reader_small in (csv_reader.SMALL_BYTES, 0):
        monkeypatch.setattr(csv_reader, "SMALL_BYTES", csv_reader_small)
        capture = read_csv(path)
        assert capture.rate == 24_000_000
        at_ps = np.array([round(Fraction(str(x)) * 24) for x in table["Time (us)"]]) * 125_000 // 3
        row_of = np.searchsorted(capture.time_ps, at_ps, "right") - 1
        for i in range(21):
            assert np.array_equal(capture.levels(f"L{i}")[row_of], table[f"L{i}"].to_numpy())
        word = sum(capture.levels(f"D[{bit}]").astype(int) << bit for bit in range(8))
        expected = [int(cell, 16) for cell in table["D"]]
        assert np.array_equal(np.asarray(word)[row_of], expected)
