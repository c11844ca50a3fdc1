"""`bustrace convert`: the same capture in another format, or nothing at all."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from bustrace.capture import Capture, open_capture, write_vcd

DUMP = ("--raw-bits", "8", "--rate", "24MHz", "--names", "PHI2,RW,-,RES")


@pytest.fixture
def small(tmp_path):
    """A capture with unknown levels, a gap and times below zero, as VCD."""
    capture = Capture(
        mode="timing",
        time_ps=np.array([-200, 0, 500, 1100], dtype=np.int64),
        state=np.array([0, 1, 2, 1], dtype=np.uint64),
        known=np.array([1, 3, 3, 3], dtype=np.uint64),
        lines=("PHI2", "Read/Write 1"),
        rate=Fraction(10**10),
        gaps=np.array([[600, 1100]], dtype=np.int64),
        end_ps=1500,
    )
    path = tmp_path / "small.vcd"
    write_vcd(capture, path)
    return path


def converted(run, *words):
    result = run("convert", *words)
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    return result.stderr


def refused(result, *words):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert not [word for word in words if word not in result.stderr], result.stderr


def test_vcd_and_csv_hold_the_same(run, small):
    """Unknown levels, gaps, times below zero, the rate and the end go through both."""
    original = open_capture(small)
    assert len(original.gaps) == 1
    assert "2 lines" in converted(run, small, "-o", "a.csv")
    converted(run, "a.csv", "-o", "b.VCD")
    converted(run, "b.VCD", "-o", "c", "--to", "csv")
    for name in ("a.csv", "b.VCD", "c"):
        assert open_capture(name).same_as(original), name


@pytest.mark.slow
@pytest.mark.parametrize("name", ["healthy", "triage", "ram_a1_open"])
def test_fixtures_go_through_both_formats(run, capture, name):
    """Real exports: times off the grid, names with spaces, tabs."""
    original = open_capture(capture(name))
    first, second = ("a.csv", "b.vcd") if name == "healthy" else ("a.vcd", "b.csv")
    converted(run, capture(name), "-o", first)
    converted(run, first, "-o", second)
    assert open_capture(second).same_as(original)


@pytest.mark.slow
def test_a_table_of_bus_cycles_gives_the_same_verdict(run, board, capture):
    """The program, the selects and the memory are all in the table."""
    said = converted(
        run, capture("ram_a1_open"), "--board", board, "-o", "table.csv", "--to", "state"
    )
    assert "2,198 bus cycles" in said
    headlines = [
        run("diagnose", path, "--board", board).stdout.splitlines()[0]
        for path in (capture("ram_a1_open"), "table.csv")
    ]
    assert headlines[0] == headlines[1]
    assert headlines[0].startswith("FAULT")
    # State captures go through VCD and CSV, too.
    converted(run, "table.csv", "-o", "table.vcd")
    assert open_capture("table.vcd").same_as(open_capture("table.csv"))


def test_clips_named_by_options_serve_the_table(run, tmp_path):
    """And doubts of the reading are told on stderr."""
    rows = "".join(f"{n * 125e-9:.9f},{n // 4 % 2},{n // 16 % 2}\n" for n in range(200))
    (tmp_path / "in.csv").write_text("Time [s],CH0,CH1\n" + rows, encoding="ascii")
    clips = ("--line", "CH0=PHI2", "--line", "CH1=RW")
    converted(run, "in.csv", *clips, "-o", "out.csv", "--to", "state")
    table = open_capture("out.csv")
    assert (table.mode, table.lines) == ("state", ("RW",))
    assert len(table) == 24


def test_a_raw_dump_is_converted(run, tmp_path):
    """Options of the dump reach its reader; `-` leaves a bit out."""
    (tmp_path / "in.bin").write_bytes(bytes([0, 1, 9, 9, 1]))
    converted(run, "in.bin", *DUMP, "-o", "out.vcd")
    capture = open_capture("out.vcd")
    assert capture.lines == ("PHI2", "RW", "RES")
    assert capture.state.tolist() == [0, 1, 5, 1]
    assert capture.rate == 24_000_000


def test_empty_names_of_a_dump_do_not_shift_the_others(run, tmp_path):
    (tmp_path / "in.bin").write_bytes(bytes(4))
    dump = ("--raw-bits", "8", "--rate", "24MHz", "--names", "PHI2,,RW")
    refused(run("convert", "in.bin", *dump, "-o", "out.vcd"), "--names")


def test_what_is_read_is_never_written_over(run, small, tmp_path):
    """The capture itself, another name of it, the board file, the image."""
    before = small.read_bytes()
    (tmp_path / "link.csv").symlink_to(small)
    refused(run("convert", small, "-o", small), "small.vcd", "written over")
    refused(run("convert", small, "-o", "link.csv"), "link.csv", "written over")
    (tmp_path / "rom.csv").write_bytes(b"\xea" * 16)
    (tmp_path / "board.csv").write_text("format = 1\n", encoding="ascii")
    for option, name in (("--rom", "rom.csv@E000"), ("--board", "board.csv")):
        target = name.partition("@")[0]
        refused(run("convert", small, option, name, "-o", target, "--to", "state"), "written over")
    assert small.read_bytes() == before
    assert (tmp_path / "rom.csv").read_bytes() == b"\xea" * 16


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-o", "out.txt"], ["out.txt", "--to"]),
        (["-o", "no/out.csv"], ["no/out.csv", "cannot be written"]),
        (["-o", "folder.csv"], ["folder.csv", "cannot be written"]),
        (["-o", "out.csv", "--line", "PHI2=PHI2"], ["--line", "--to state"]),
        (["-o", "out.csv", "--rom", "rom.bin@E000"], ["--rom", "--to state"]),
        (["-o", "out.csv", "--to", "state", "--line", "PHI2=-"], ["small.vcd", "no clock"]),
        (["-o", "out.csv", "--to", "xls"], ["--to", "xls"]),
        (["-o", "out.csv", "--lines", "NONE"], ["NONE"]),
        ([], ["--output"]),
    ],
)
def test_what_cannot_be_done_writes_nothing(run, small, tmp_path, words, said):
    """Exit code 2, one message, and no file, not even a part of one."""
    (tmp_path / "folder.csv").mkdir()
    refused(run("convert", small, *words), *said)
    assert {path.name for path in tmp_path.iterdir()} == {"small.vcd", "folder.csv"}


def test_a_name_that_vcd_cannot_hold_is_said(run, tmp_path):
    """And what stood there before still stands there."""
    (tmp_path / "in.csv").write_text("Time [s],A $end\n0,0\n1e-6,1\n", encoding="ascii")
    (tmp_path / "out.vcd").write_text("old", encoding="ascii")
    refused(run("convert", "in.csv", "-o", "out.vcd"), "out.vcd", "A $end")
    assert (tmp_path / "out.vcd").read_text(encoding="ascii") == "old"


def test_an_input_that_cannot_be_read_is_said(run, tmp_path):
    (tmp_path / "empty.csv").touch()
    refused(run("convert", "empty.csv", "-o", "out.vcd"), "empty.csv", "empty")
    refused(run("convert", "none.csv", "-o", "out.vcd"), "none.csv", "no such file")
    assert not (tmp_path / "out.vcd").exists()
