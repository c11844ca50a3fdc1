"""Every way of writing a table that the reader claims to know, one test each.

The dialects are common practice, gathered from exports; only the quoting is a standard (RFC 4180).
Each test runs with the plain and with the compiled row scanner.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bustrace.capture import csv_reader
from bustrace.capture.csv_reader import looks_like_csv, read_csv
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


def levels(capture: Capture) -> dict[str, list[int]]:
    return {name: capture.levels(name).tolist() for name in capture.lines}


def notes(capture: Capture, kind: str) -> str:
    return "\n".join(note.text for note in capture.notes if note.kind == kind)


def test_comma_with_unit_in_parentheses(read: Reader) -> None:
    """`Time (us)` gives the unit; rows equal to the one before are dropped; the end is kept."""
    capture = read("Time (us),A,B\n0.5,0,1\n1.5,0,1\n2.25,1,1\n4,1,1\n")
    assert capture.mode == "timing"
    assert capture.time_ps.tolist() == [500_000, 2_250_000]
    assert levels(capture) == {"A": [0, 1], "B": [1, 1]}
    assert capture.end_ps == 4_000_000
    assert capture.known is None
    assert capture.source.endswith("capture.csv")


@pytest.mark.parametrize("header", ["t [us]", "t_us", "time_us", "Time[µs]", "TIME (usec)", "us"])
def test_unit_of_time_from_the_header(read: Reader, header: str) -> None:
    capture = read(f"{header},A\n0.5,0\n1.5,1\n2.5,0\n")
    assert capture.time_ps.tolist() == [500_000, 1_500_000, 2_500_000]
    assert capture.lines == ("A",)


@pytest.mark.parametrize(("unit", "size"), [("s", 10**12), ("ms", 10**9), ("ns", 1000), ("ps", 1)])
def test_all_units_of_time(read: Reader, unit: str, size: int) -> None:
    capture = read(f"Time [{unit}],A\n3,0\n5,1\n6,0\n")
    assert capture.time_ps.tolist() == [3 * size, 5 * size, 6 * size]


def test_bare_time_is_seconds_when_plausible(read: Reader) -> None:
    capture = read("time,A\n0.000000100,0\n0.000000250,1\n")
    assert capture.time_ps.tolist() == [100_000, 250_000]
    assert "no unit; s was taken" in notes(capture, "guess")


def test_bare_time_is_no_seconds_when_that_were_absurdly_slow(read: Reader) -> None:
    capture = read("time,A\n0,0\n41.67,1\n83.33,0\n")
    assert capture.time_ps.tolist() == [0, 41_670, 83_330]
    assert "ns was taken" in notes(capture, "guess")
    capture = read("time,A\n0,0\n0.04167,1\n0.08333,0\n")
    assert capture.time_ps.tolist() == [0, 41_670, 83_330]


def test_time_unit_option_beats_the_header(read: Reader) -> None:
    capture = read("time,A\n1,0\n2,1\n", time_unit="ms")
    assert capture.time_ps.tolist() == [10**9, 2 * 10**9]
    capture = read("Time (us),A\n1,0\n2,1\n", time_unit="ns")
    assert capture.time_ps.tolist() == [1000, 2000]


def test_time_unit_stated_above_the_table(read: Reader) -> None:
    capture = read("# Time unit: ns\ntime,A\n1,0\n2,1\n")
    assert capture.time_ps.tolist() == [1000, 2000]


def test_semicolon_with_decimal_comma(read: Reader) -> None:
    capture = read("t [us];Phase 2;R/W\n0,0000;0;1\n0,4167;1;1\n1,0833;0;0\n")
    assert capture.time_ps.tolist() == [0, 416_700, 1_083_300]
    assert levels(capture) == {"Phase 2": [0, 1, 0], "R/W": [1, 1, 0]}


def test_decimal_comma_inside_quotes_with_comma_between_cells(read: Reader) -> None:
    """RFC 4180, 2.6: a comma inside quotes is part of the cell."""
    capture = read('"t_us","A"\n"0,5","0"\n"1,25","1"\n')
    assert capture.time_ps.tolist() == [500_000, 1_250_000]


def test_tabs(read: Reader) -> None:
    capture = read("t_us\tA\tB\n0.0\t0\t1\n1.5\t1\t1\n")
    assert levels(capture) == {"A": [0, 1], "B": [1, 1]}
    capture = read("t_us\tA\tB\n0.0\t\t1\n1.5\t1\t\n2.0\t1\t1\n")
    assert levels(capture) == {"A": [2, 1, 1], "B": [1, 2, 1]}


def test_pipes(read: Reader) -> None:
    capture = read("t_us|A|B\n0.0|0|1\n1.5|1|1\n")
    assert levels(capture) == {"A": [0, 1], "B": [1, 1]}


def test_separator_and_decimal_options(read: Reader) -> None:
    capture = read("t_us;A\n0,5;0\n1,5;1\n", separator="semicolon", decimal=",")
    assert capture.time_ps.tolist() == [500_000, 1_500_000]
    with pytest.raises(CaptureError, match="no such separator"):
        read("t_us;A\n0;0\n", separator="!")
    with pytest.raises(CaptureError, match="no such decimal mark"):
        read("t_us;A\n0;0\n", decimal="'")


def test_quoted_header_with_units(read: Reader) -> None:
    capture = read('"Time [ns]","CH0 [logic]","CH1 (V)"\n"0.00","0","0.2"\n"41.67","1","3.3"\n')
    assert capture.lines == ("CH0", "CH1")
    assert levels(capture) == {"CH0": [0, 1], "CH1": [0, 1]}


def test_doubled_quotes_and_separators_inside_quotes(read: Reader) -> None:
    """RFC 4180, 2.6 and 2.7."""
    capture = read('t_us,"say ""when"", now",B\n0,0,1\n1,"1",1\n')
    assert levels(capture) == {'say "when", now': [0, 1], "B": [1, 1]}


def test_line_breaks_inside_a_quoted_text_cell(read: Reader) -> None:
    """RFC 4180, 2.6; the lines are counted for messages all the same."""
    text = 't_us,A,Note\n0,0,"two\nlines, ""so"""\n1,1,one\n2,0,none\n'
    assert levels(read(text)) == {"A": [0, 1, 0]}
    with pytest.raises(CaptureError) as caught:
        read(text + "1.5,0,back\n")
    assert caught.value.line == 6


def test_units_in_a_second_header_row(read: Reader) -> None:
    capture = read("Time,A,B\n(us),(V),(mV)\n0,0.1,300\n1,3.0,2500\n")
    assert capture.time_ps.tolist() == [0, 1_000_000]
    assert levels(capture) == {"A": [0, 1], "B": [0, 1]}


@pytest.mark.parametrize("mark", ["#", ";", "//", "; "])
def test_comments_above_and_between_rows(read: Reader, mark: str) -> None:
    text = f"{mark}made on the bench\n{mark}a, b, c\nt_us,A,B\n0,0,1\n{mark}pause, 1, 2\n1,1,1\n"
    assert levels(read(text)) == {"A": [0, 1], "B": [1, 1]}


def test_semicolon_comments_above_a_semicolon_table(read: Reader) -> None:
    capture = read("; bench export\n;\nt_us;A;B\n0;0;1\n1;1;1\n")
    assert levels(capture) == {"A": [0, 1], "B": [1, 1]}


def test_preamble_lines_that_are_no_comments(read: Reader) -> None:
    text = "Bench export\nOperator, the night shift\nLines,2\n\nt_us,A,B\n0,0,1\n1,1,1\n"
    assert levels(read(text)) == {"A": [0, 1], "B": [1, 1]}


def test_header_inside_a_comment(read: Reader) -> None:
    assert read("# bench\n# t_us,A,B\n0,0,1\n1,1,1\n").lines == ("A", "B")


def test_no_header(read: Reader) -> None:
    """Lines are named in their order, and the note says so."""
    capture = read("0.000001,0,1\n0.000002,1,1\n0.000004,0,0\n")
    assert capture.lines == ("CH0", "CH1")
    assert capture.time_ps.tolist() == [10**6, 2 * 10**6, 4 * 10**6]
    assert "no header" in notes(capture, "guess")


def test_no_header_and_no_time(read: Reader) -> None:
    capture = read("0,1\n1,1\n1,1\n")
    assert (capture.mode, capture.lines) == ("state", ("CH0", "CH1"))
    assert levels(capture) == {"CH0": [0, 1, 1], "CH1": [1, 1, 1]}


def test_header_of_names_that_read_as_hex(read: Reader) -> None:
    assert read("A0,D7,BE\n0,1,1\n1,1,0\n").lines == ("A0", "D7", "BE")


@pytest.mark.parametrize(
    "remark",
    [
        "; Sample period: 41.666667 ns",
        "# Rate: 24 MHz",
        "# 24 MS/s",
        "// Sampling frequency [MHz]: 24",
        "Sample Rate (Hz),24000000",
        "# sample interval = 4.1666667e-08 s",
        "# Samplerate: 24 MHz",
    ],
)
def test_rate_above_a_table_of_numbered_samples(read: Reader, remark: str) -> None:
    """The exact rate is found behind a rounded period, and times are exact on its grid."""
    capture = read(f"{remark}\n\nSample,A\n0,0\n1,0\n2,1\n3,0\n")
    assert capture.rate == Fraction(24_000_000)
    assert capture.mode == "timing"
    assert capture.time_ps.tolist() == [0, 83_333, 125_000]
    assert "24 MS/s" in notes(capture, "fact")


def test_rate_above_a_table_without_any_counter(read: Reader) -> None:
    capture = read("# Rate: 10 MHz\nA,B\n0,1\n0,1\n1,1\n1,1\n")
    assert (capture.rate, capture.mode) == (Fraction(10**7), "timing")
    assert capture.time_ps.tolist() == [0, 200_000]
    assert capture.end_ps == 300_000


def test_cpu_clock_above_the_table_is_no_sample_rate(read: Reader) -> None:
    assert read("# CPU clock: 1 MHz\nA,B\n0,1\n0,1\n").rate is None


def test_numbered_samples_where_only_changes_are_listed(read: Reader) -> None:
    capture = read("# Rate: 10 MHz\nSample,A\n0,0\n7,1\n12,0\n")
    assert capture.time_ps.tolist() == [0, 700_000, 1_200_000]


def test_rate_option_gives_numbered_samples_their_time(read: Reader) -> None:
    capture = read("Sample,A\n0,0\n1,1\n2,0\n", rate=Fraction(10**9, 3))
    assert capture.rate == Fraction(10**9, 3)
    assert capture.time_ps.tolist() == [0, 3000, 6000]


@pytest.mark.parametrize("header", ["Cycle", "Sample", "No."])
def test_numbered_rows_without_rate_are_states(read: Reader, header: str) -> None:
    """State mode keeps identical rows, 1 us apart, and says how it was told."""
    capture = read(f"{header},A,B\n0,0,1\n1,0,1\n2,0,1\n3,1,1\n")
    assert capture.mode == "state"
    assert len(capture) == 4
    assert capture.time_ps.tolist() == [0, 10**6, 2 * 10**6, 3 * 10**6]
    assert capture.end_ps == 4 * 10**6
    assert any(n.option == "--mode timing" and "state mode" in n.text for n in capture.notes)


def test_timing_mode_says_how_it_was_told(read: Reader) -> None:
    capture = read("t_us,A\n0,0\n1,1\n")
    assert any(n.option == "--mode state" and "time column" in n.text for n in capture.notes)


def test_state_mode_on_request_keeps_identical_rows(read: Reader) -> None:
    capture = read("t_us,A\n0,0\n1,0\n1,0\n2,1\n", mode="state")
    assert (capture.mode, len(capture)) == ("state", 4)
    assert capture.time_ps.tolist() == [0, 10**6, 10**6, 2 * 10**6]


def test_cycles_with_time_stamps_are_states(read: Reader) -> None:
    capture = read("Cycle,Time (us),A\n0,0.5,0\n1,1.5,0\n2,2.5,1\n")
    assert (capture.mode, capture.lines) == ("state", ("A",))
    assert capture.time_ps.tolist() == [500_000, 1_500_000, 2_500_000]


def test_timing_mode_without_time_and_rate_asks_for_the_rate(read: Reader) -> None:
    with pytest.raises(CaptureError, match="--rate"):
        read("Sample,A\n0,0\n1,1\n", mode="timing")


def test_jumping_row_numbers_in_state_mode_are_doubted(read: Reader) -> None:
    assert "rows are missing" in notes(read("Cycle,A\n0,0\n1,0\n5,1\n"), "doubt")


@pytest.mark.parametrize("cells", [["0x00FF", "0xA9"], ["$00FF", "$A9"], ["00FFh", "A9h"]])
def test_marked_hex_buses(read: Reader, cells: list[str]) -> None:
    capture = read(f"t_us,ADDR,DATA\n0,{cells[0]},{cells[1]}\n1,{cells[0]},{cells[1]}\n")
    assert capture.lines == tuple(
        [f"ADDR[{i}]" for i in range(16)] + [f"DATA[{i}]" for i in range(8)]
    )
    assert capture.state.tolist() == [0xA900FF]
    assert notes(capture, "guess").count("column") == 0 or "column '" not in notes(capture, "guess")


def test_unmarked_hex_bus(read: Reader) -> None:
    capture = read("t_us,ADDR\n0,0100\n1,00ff\n2,FFFC\n")
    assert capture.state.tolist() == [0x100, 0xFF, 0xFFFC]
    assert len(capture.lines) == 16


def test_binary_bus(read: Reader) -> None:
    capture = read("t_us,ADDR,B\n0,0000000011111111,0\n1,1000000000000001,1\n")
    assert capture.state.tolist() == [0x00FF, 0x18001]
    assert len(capture.lines) == 17


def test_binary_bus_with_mark(read: Reader) -> None:
    capture = read("t_us,D\n0,0b00001111\n1,0b10000001\n")
    assert capture.state.tolist() == [0x0F, 0x81]
    assert len(capture.lines) == 8


def test_decimal_bus_is_as_wide_as_its_largest_number(read: Reader) -> None:
    capture = read("t_us,D\n0,9\n1,12\n2,200\n")
    assert capture.state.tolist() == [9, 12, 200]
    assert len(capture.lines) == 8
    assert "'D' is read as decimal" in notes(capture, "guess")


def test_unmarked_digits_with_leading_zeros_are_hex_and_noted(read: Reader) -> None:
    capture = read("t_us,D\n0,09\n1,12\n2,20\n")
    assert capture.state.tolist() == [9, 0x12, 0x20]
    assert any("hex" in n.text and n.option == "--base dec" for n in capture.notes)


def test_short_binary_column_is_noted(read: Reader) -> None:
    capture = read("t_us,D\n0,01\n1,10\n2,11\n")
    assert capture.state.tolist() == [1, 2, 3]
    assert any("binary" in n.text and n.option == "--base hex" for n in capture.notes)


@pytest.mark.parametrize(
    ("base", "states"), [("hex", [1, 16, 17]), ("bin", [1, 2, 3]), ("dec", [1, 10, 11])]
)
def test_base_option(read: Reader, base: str, states: list[int]) -> None:
    assert read("t_us,D\n0,01\n1,10\n2,11\n", base=base).state.tolist() == states


def test_base_is_decided_over_the_whole_column(read: Reader) -> None:
    """A thousand rows that look binary, then decimal, then one with a hex digit: it was hex."""
    rows = [f"{i},{i % 2}0\n" for i in range(1000)]
    assert read("t_us,D\n" + "".join(rows)).state.tolist()[:2] == [0, 2]
    rows.append("1000,95\n")
    assert read("t_us,D\n" + "".join(rows)).state.tolist()[-1] == 0x95
    rows[0::2] = [f"{i},7\n" for i in range(0, 1000, 2)] + ["1000,95\n"][: len(rows[0::2]) - 500]
    assert read("t_us,D\n" + "".join(rows)).state.tolist()[-1] == 95
    rows.append("1001,9C\n")
    assert read("t_us,D\n" + "".join(rows)).state.tolist()[-2:] == [0x95, 0x9C]


def test_column_that_shows_itself_as_a_bus_late(read: Reader) -> None:
    text = "t_us,D,B\n" + "".join(f"{i},{i % 2},1\n" for i in range(500)) + "500,0x3F,0\n"
    capture = read(text)
    assert capture.lines == (*(f"D[{i}]" for i in range(8)), "B")
    assert capture.state[-1] == 0x3F


def test_bus_range_in_the_header(read: Reader) -> None:
    capture = read("t_us,A[15:8],D<0:3>\n0,FC,1\n1,0F,8\n")
    assert capture.lines[:8] == tuple(f"A[{i}]" for i in range(8, 16))
    assert capture.lines[8:] == ("D[3]", "D[2]", "D[1]", "D[0]")
    assert capture.state.tolist() == [0x1FC, 0x80F]


def test_bits_of_a_bus_in_columns_keep_their_names(read: Reader) -> None:
    assert read("t_us,A[0],A[1]\n0,0,1\n").lines == ("A[0]", "A[1]")


def test_unknown_digits_in_a_bus(read: Reader) -> None:
    capture = read("t_us,A,B\n0,0x1X,10z1\n1,0xZZ,????\n2,0x12,0000\n")
    assert capture.state.tolist() == [0x910, 0, 0x12]
    assert capture.known is not None
    assert capture.known.tolist() == [0xDF0, 0, 0xFFF]


@pytest.mark.parametrize("cell", ["x", "X", "z", "Z", "?", "-", "", " "])
def test_unknown_cells(read: Reader, cell: str) -> None:
    capture = read(f"t_us,A,B\n0,1,0\n1,{cell},0\n2,0,{cell}\n3,0,1\n")
    assert levels(capture) == {"A": [1, 2, 0, 0], "B": [0, 0, 2, 1]}
    assert capture.known is not None
    assert not np.any(capture.state & ~capture.known)


def test_letters_for_levels(read: Reader) -> None:
    assert levels(read("t_us,A,B\n0,H,l\n1,L,h\n")) == {"A": [1, 0], "B": [0, 1]}


def test_volts_with_the_usual_threshold(read: Reader) -> None:
    """1.4 V: common practice for TTL, between its input limits of 0.8 V and 2.0 V."""
    capture = read("t_us,A\n0,0.40\n1,1.39\n2,1.40\n3,-0.1\n4,3.3e0\n5,\n")
    assert levels(capture) == {"A": [0, 1, 0, 1, 2]}
    assert any("1.4 V" in n.text and n.option == "--threshold 1.4" for n in capture.notes)


def test_volts_with_a_given_threshold(read: Reader) -> None:
    assert levels(read("t_us,A\n0,0.40\n1,2.4\n2,2.6\n", threshold=2.5)) == {"A": [0, 1]}


def test_volts_that_start_as_whole_numbers(read: Reader) -> None:
    text = "t_us,A\n" + "".join(f"{i},{i % 2}\n" for i in range(400)) + "400,3.3\n"
    assert set(levels(read(text))["A"]) == {0, 1}
    assert len(read(text)) == 2, "1 V is below 1.4 V"


def test_exponent_times(read: Reader) -> None:
    capture = read("time [s],A\n0.000000e+00,0\n4.17E-08,1\n1e-6,0\n")
    assert capture.time_ps.tolist() == [0, 41_700, 10**6]


def test_negative_times(read: Reader) -> None:
    capture = read("t_us,A\n-1.5,0\n-0.25,1\n+0.5,0\n")
    assert capture.time_ps.tolist() == [-1_500_000, -250_000, 500_000]


def test_times_finer_than_a_picosecond_are_rounded_down(read: Reader) -> None:
    capture = read("t_ns,A\n-0.0001,0\n0.00019,1\n41.6666666666666666666,0\n")
    assert capture.time_ps.tolist() == [-1, 0, 41_666]


def test_spaces_around_cells(read: Reader) -> None:
    assert levels(read("t_us , A , B\n0 , 0, 1 \n 1.5 ,1 , 1\n")) == {"A": [0, 1], "B": [1, 1]}


def test_carriage_returns(read: Reader) -> None:
    """RFC 4180, 2.1: rows end with CR LF; bare LF is common practice."""
    text = "; Rate: 10 MHz\nSample,A,B\n0,0,1\n1,1,1\n2,1,0\n"
    assert read(text.replace("\n", "\r\n")).same_as(read(text))


def test_byte_order_mark(read: Reader) -> None:
    assert read(b"\xef\xbb\xbft_us,A\n0,0\n1,1\n").lines == ("A",)


def test_latin_1_header(read: Reader) -> None:
    capture = read("Zeit [µs],Rücksetzen\n0,0\n1,1\n".encode("latin-1"))
    assert capture.lines == ("Rücksetzen",)
    assert capture.time_ps.tolist() == [0, 10**6]
    assert "Latin-1" in notes(capture, "guess")


def test_blank_lines_anywhere(read: Reader) -> None:
    assert levels(read("\n\nt_us,A\n\n0,0\n\r\n1,1\n\n\n")) == {"A": [0, 1]}


def test_trailing_separators(read: Reader) -> None:
    assert levels(read("t_us,A,B\n0,0,1,\n1,1,1,\n")) == {"A": [0, 1], "B": [1, 1]}
    assert levels(read("t_us,A,B,\n0,0,1,\n1,1,1,\n")) == {"A": [0, 1], "B": [1, 1]}


def test_text_columns_are_left_out_by_name(read: Reader) -> None:
    capture = read("t_us,A,Event,Decoded\n0,0,start,LDA #$01\n1,1,,ADC\n2,0,go,BCC\n")
    assert capture.lines == ("A",)
    assert "'Event', 'Decoded'" in notes(capture, "fact")


def test_text_that_comes_late_in_an_empty_column(read: Reader) -> None:
    text = "t_us,A,Event\n" + "".join(f"{i},{i % 2},\n" for i in range(300)) + "300,1,stop\n"
    capture = read(text)
    assert capture.lines == ("A",)
    assert "'Event'" in notes(capture, "fact")


def test_names_that_occur_twice_are_numbered(read: Reader) -> None:
    capture = read("t_us,A,A,B\n0,0,1,0\n")
    assert capture.lines == ("A", "A_2", "B")
    assert "'A_2'" in notes(capture, "guess")


def test_time_need_not_come_first(read: Reader) -> None:
    capture = read("A,t_us,B\n0,0.5,1\n1,1.5,1\n")
    assert capture.time_ps.tolist() == [500_000, 1_500_000]
    assert levels(capture) == {"A": [0, 1], "B": [1, 1]}


def test_two_rows_at_one_time(read: Reader) -> None:
    """Times that were rounded together: the later row stands, with a doubt."""
    capture = read("t_us,A,B\n0,0,0\n1,1,0\n1,1,1\n2,0,1\n3,1,1\n3,0,1\n")
    assert capture.time_ps.tolist() == [0, 10**6, 2 * 10**6]
    assert levels(capture) == {"A": [0, 1, 0], "B": [0, 1, 1]}
    assert "2 rows have the time of the row above" in notes(capture, "doubt")


def test_chosen_lines(read: Reader) -> None:
    """Rows that differ only in other lines are dropped."""
    text = "t_us,A,D,B\n0,0,0x12,1\n1,1,0x12,1\n2,1,0x52,0\n"
    assert levels(read(text, lines=["B"])) == {"B": [1, 0]}
    assert read(text, lines=["D"]).state.tolist() == [0x12, 0x52]
    capture = read(text, lines=["A", "D[1]", "D[6]"])
    assert levels(capture) == {"A": [0, 1, 1], "D[1]": [1, 1, 1], "D[6]": [0, 0, 1]}
    with pytest.raises(CaptureError, match="did you mean 'B'"):
        read(text, lines=["b"])


def test_over_64_lines_needs_a_choice(read: Reader) -> None:
    names = [f"L{i}" for i in range(70)]
    text = "t_us," + ",".join(names) + "\n0" + ",0" * 70 + "\n1" + ",1" * 70 + "\n"
    with pytest.raises(CaptureError, match="--lines"):
        read(text)
    assert read(text, lines=["L69", "L3"]).lines == ("L3", "L69")


def test_64_lines(read: Reader) -> None:
    text = "t_us,A,B\n0,FFFFFFFF,0x80000001\n1,0000000F,0xxxxxxxxx\n"
    capture = read(text)
    assert len(capture.lines) == 64
    assert capture.state.tolist() == [0x80000001_FFFFFFFF, 0xF]
    assert capture.known is not None
    assert capture.known.tolist() == [2**64 - 1, 2**32 - 1]
    text = "t_us,A\n0,FFFFFFFFFFFFFFFE\n"
    assert read(text).state.tolist() == [2**64 - 2]


@pytest.mark.parametrize(
    "head",
    [b"t_us,A\n0,0\n1,1\n", b"0;1\n", b"# x\nA\tB\n1\t1\n", b"Time [s],A\n", b'"a","b"\n"0","1"\n'],
)
def test_recognised_as_a_table(head: bytes) -> None:
    assert looks_like_csv(head)


@pytest.mark.parametrize(
    "head",
    [
        b"$timescale 1 ns $end\n$var wire 1 , a $end\n$enddefinitions $end\n#0\n0,\n",
        b"",
        b"\n\n",
        b"one word\n",
        b"PK\x03\x04,\0\0,\n",
    ],
)
def test_not_recognised_as_a_table(head: bytes) -> None:
    assert not looks_like_csv(head)
