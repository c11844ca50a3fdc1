"""What cannot be read is said, with the line; what was cut off is never passed over in silence."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from bustrace.capture import csv_reader
from bustrace.capture.csv_reader import read_csv
from bustrace.capture.model import Capture
from bustrace.errors import CaptureError

Reader = Callable[..., Capture]


@pytest.fixture(params=["plain", "compiled"])
def read(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Reader:
    """Read text as a file, with either scanner."""
    if request.param == "compiled":
        monkeypatch.setattr(csv_reader, "SMALL_BYTES", 0)

    def reader(text: str | bytes, **options: object) -> Capture:
        path = tmp_path / "capture.csv"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_csv(path, **options)  # type: ignore[arg-type]

    return reader


def refused(read: Reader, text: str | bytes, **options: object) -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        read(text, **options)
    return caught.value


def doubts(capture: Capture) -> str:
    return "\n".join(note.text for note in capture.notes if note.kind == "doubt")


HEAD = "; made on the bench\nt_us,A,B\n0,0,1\n1,1,1\n"


@pytest.mark.parametrize("text", ["", "\n\n", "\xef\xbb\xbf"])
def test_empty_file(read: Reader, text: str) -> None:
    assert "empty" in refused(read, text.encode("latin-1")).what


@pytest.mark.parametrize(
    "text", ["t_us,A,B\n", "t_us,A,B", "Sample,0,1,2\n", "# a\n# b\nt_us;A\n\n"]
)
def test_only_a_header(read: Reader, text: str) -> None:
    assert "no whole row" in refused(read, text).what


def test_no_table(read: Reader) -> None:
    assert "no table" in refused(read, "a letter\nto the editor\n").what


def test_utf_16(read: Reader) -> None:
    assert "not plain text" in refused(read, HEAD.encode("utf-16")).what


def test_absent_file(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"absent\.csv"):
        read_csv(tmp_path / "absent.csv")


def test_too_few_cells(read: Reader) -> None:
    error = refused(read, HEAD + "2,0\n3,0,1\n")
    assert (error.line, error.found) == (5, "2,0")
    assert error.what == "this row has 2 cells, the table has 3 columns"


def test_too_many_cells(read: Reader) -> None:
    error = refused(read, HEAD + "2,0,1,1\n3,0,1\n")
    assert (error.line, error.found) == (5, "2,0,1,1")


def test_wrong_number_of_cells_in_the_first_row(read: Reader) -> None:
    """The first row is not taken for a preamble."""
    assert refused(read, "t_us,A,B\n0,0\n1,1,1\n2,0,1\n3,1,1\n").line == 2
    assert refused(read, "0.5,0\n1.5,1,1\n2.5,0,1\n3.5,1,1\n").line == 1


def test_wrong_number_of_names(read: Reader) -> None:
    error = refused(read, "t_us,A,B\n0,0,1,1\n1,1,1,0\n")
    assert error.what == "the header has 3 cells, the rows below have 4"
    assert error.line == 1


def test_many_groups_of_four_cells_too_many(read: Reader) -> None:
    """The fast lane for four cells does not run over the end of a row."""
    row = "0,0,1,0,1,0,1,0,1"
    text = "t_us,A,B,C,D,E,F,G,H\n" + (row + "\n") * 9
    for extra in range(1, 10):
        error = refused(read, text + "1" + row[1:] + ",1" * extra + "\n")
        assert (error.line, error.what.split(",")[0]) == (11, f"this row has {9 + extra} cells")


def test_time_backwards(read: Reader) -> None:
    error = refused(read, HEAD + "0.5,0,1\n")
    assert (error.line, error.what) == (5, "time goes backwards")
    assert refused(read, HEAD + "0.5,0,1\n", mode="state").line == 5


def test_time_that_is_none(read: Reader) -> None:
    error = refused(read, HEAD + "2us,0,1\n")
    assert (error.line, error.column, error.found) == (5, 1, "2us")
    assert refused(read, HEAD + ",0,1\n").line == 5
    assert refused(read, HEAD + "2.5.1,0,1\n").line == 5
    assert refused(read, HEAD + "1e30,0,1\n").line == 5


def test_decimal_comma_among_decimal_points(read: Reader) -> None:
    assert refused(read, "t_us;A\n0.5;0\n1.5;1\n2,5;0\n").line == 4


def test_word_in_a_column_of_levels(read: Reader) -> None:
    error = refused(read, HEAD + "2,yes,1\n3,0,1\n")
    assert error.line == 5
    assert "'A'" in error.what
    assert refused(read, HEAD * 1 + "2,0,1\n" * 300 + "2,0,no\n").line == 305


def test_word_in_a_bus(read: Reader) -> None:
    error = refused(read, "t_us,D\n0,0x12\n1,0x1G\n2,0x13\n")
    assert (error.line, error.found) == (3, "0x1G")


def test_word_in_a_column_of_volts(read: Reader) -> None:
    error = refused(read, "t_us,D [V]\n0,0.1\n1,high\n2,3.3\n")
    assert (error.line, error.found, error.expected) == (3, "high", "a voltage")


def test_quote_that_is_never_closed(read: Reader) -> None:
    text = 't_us,A,Note\n0,0,"so"\n1,1,"open\n' + '2,0,"so"\n' * 3 + "3,1,so\n"
    error = refused(read, text)
    assert (error.line, error.what) == (3, "text follows a closing quote")
    error = refused(read, 't_us,A,Note\n0,0,so\n1,1,"open\n' + "2,0,so\n" * 3)
    assert (error.line, error.what) == (3, "a quote is opened and not closed")


def test_no_lines_at_all(read: Reader) -> None:
    assert "no column with levels" in refused(read, "t_us,Event\n0,start\n1,stop\n").what


def test_last_row_without_line_end_is_doubted(read: Reader) -> None:
    capture = read("t_us,A,B\n0,0,1\n1,1,1")
    assert capture.end_ps == 10**6
    assert "no line end" in doubts(capture)


@pytest.mark.parametrize("rest", ["2", "2,", "2,0", "2,0,", '2,0,"1'])
def test_cut_last_row_is_left_out_with_a_doubt(read: Reader, rest: str) -> None:
    capture = read(HEAD + rest)
    assert capture.end_ps == 10**6
    assert "cut off" in doubts(capture)


@pytest.mark.parametrize(
    ("rows", "rest"),
    [
        ("0,0x12\n1,0x34\n", "2,0x5"),
        ("0,9\n1,210\n", "2,21"),
        ("0,0.10\n1,3.30\n", "2,3.3"),
        ("0,00000010\n1,10101010\n", "2,1111"),
    ],
)
def test_cut_number_at_the_end_is_left_out_with_a_doubt(read: Reader, rows: str, rest: str) -> None:
    """A number may have lost digits that nobody misses; a shorter one is not taken."""
    capture = read("t_us,D\n" + rows + rest)
    assert capture.end_ps == 10**6
    assert "cut off" in doubts(capture)


def test_whole_bus_cell_at_the_end_is_kept(read: Reader) -> None:
    assert read("t_us,D\n0,0x12\n1,0x34\n2,0x56").state.tolist() == [0x12, 0x34, 0x56]


@pytest.mark.parametrize("table", ["Sample,A,B\n0,0,1\n1,1,1\n2,1,1\n", "A,B\n0,1\n1,1\n1,1\n"])
def test_fewer_samples_than_promised_are_doubted(read: Reader, table: str) -> None:
    text = "# Rate: 1 MHz\n# Samples: {}\n" + table
    assert "promises 5 samples and holds 3" in doubts(read(text.format(5)))
    assert not doubts(read(text.format(3)))


def test_programmers_mistakes_are_no_input_errors(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t_us,A\n0,0\n")
    for options in ({"rate": Fraction(0)}, {"mode": "analog"}, {"base": "oct"}):
        with pytest.raises(ValueError, match=next(iter(options))) as caught:
            read_csv(path, **options)  # type: ignore[arg-type]
        assert not isinstance(caught.value, CaptureError)
    with pytest.raises(CaptureError, match="time-unit"):
        read_csv(path, time_unit="fortnight")


@pytest.mark.slow
def test_without_a_folder_for_compiled_code(tmp_path: Path) -> None:
    """The capture is read all the same, and a note says why it took so long."""
    path = tmp_path / "a.csv"
    path.write_text("t_us,A\n0,0\n1,1\n")
    script = (
        "import sys\n"
        "from numba.core.caching import CacheImpl, FunctionCache\n"
        "CacheImpl._locator_classes = []\n"
        "from bustrace.capture import csv_reader\n"
        "csv_reader.SMALL_BYTES = 0\n"
        "capture = csv_reader.read_csv(sys.argv[1])\n"
        "print(len(capture), [n.text for n in capture.notes])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("2 ")
    assert "compiles afresh" in done.stdout


@pytest.mark.slow
def test_small_files_are_read_without_numba(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t_us,A\n0,0\n1,1\n")
    script = (
        "import sys\n"
        "from bustrace.capture.csv_reader import read_csv\n"
        "read_csv(sys.argv[1])\n"
        "print('numba' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
