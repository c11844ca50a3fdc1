"""Each oddity of VCD files seen in the field, one test each.

What is right is taken from IEEE 1364-2005, clause 18, where it says anything.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bustrace.capture import Capture, read_vcd
from bustrace.errors import CaptureError

TWO = '$timescale 1 ns $end $var wire 1 ! A $end $var wire 1 " B $end $enddefinitions $end\n'
BUS = "$timescale 1 ns $end $var wire 4 ! BUS $end $enddefinitions $end\n"


@pytest.fixture
def read(tmp_path: Path):
    def read(content: str | bytes, **options) -> Capture:
        path = tmp_path / "capture.vcd"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_vcd(path, **options)

    return read


def rows(capture: Capture) -> list[tuple[int, str]]:
    """Time in ns and levels of all lines, the last line first, as a vector is written."""
    columns = [capture.levels(line) for line in reversed(capture.lines)]
    return [
        (int(time) // 1000, "".join("01x"[column[i]] for column in columns))
        for i, time in enumerate(capture.time_ps)
    ]


def doubts(capture: Capture) -> list[str]:
    return [note.text for note in capture.notes if note.kind == "doubt"]


def test_changes_of_one_time_are_one_row_and_no_change_is_no_row(read):
    capture = read(TWO + '#0\n0!\n1"\n#10\n1!\n0"\n#20\n1!\n#30\n0!\n#35\n')
    assert rows(capture) == [(0, "10"), (10, "01"), (30, "00")]
    assert capture.known is None
    assert capture.end_ps == 35_000
    assert capture.mode == "timing"


def test_one_time_given_twice_is_one_row(read):
    assert rows(read(TWO + '#0\n0!\n0"\n#5\n1!\n#5\n1"\n#9\n')) == [(0, "00"), (5, "11")]


def test_x_and_z_are_unknown_in_either_case(read):
    capture = read(TWO + '#0 0! 1"\n#1 x!\n#2 1!\n#3 Z!\n#4 0! X"\n#5 z" \n#6\n')
    assert rows(capture) == [(0, "10"), (1, "1x"), (2, "11"), (3, "1x"), (4, "x0")]
    assert not np.any(capture.state & ~capture.known)


def test_levels_before_the_first_value_are_unknown(read):
    assert rows(read(TWO + '#0\n0!\n#7\n1"\n#8\n')) == [(0, "x0"), (7, "10")]


def test_values_before_the_first_time_belong_to_it(read):
    assert rows(read(TWO + '$dumpvars 0! 1" $end\n#3\n1!\n#9\n')) == [(3, "11")]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        # IEEE 1364-2005 18.2.2, table of left extension (numbers from memory).
        ("b10", "0010"),
        ("bX10", "xx10"),
        ("bZX0", "xxx0"),
        ("b0X10", "0x10"),
        ("b1", "0001"),
        ("bx", "xxxx"),
        ("B1010", "1010"),
        ("bXz01", "xx01"),
    ],
)
def test_short_vectors_are_extended_to_the_left(read, written, meant):
    assert rows(read(BUS + f"#0\n{written} !\n#1\n")) == [(0, meant)]


def test_a_level_without_b_sets_a_whole_vector(read):
    """Seen in exports: 1! for a bus means the number 1."""
    capture = read(BUS + "#0\nb1111 !\n#1\n1!\n#2\n0!\n#3\nx!\n#4\n")
    assert rows(capture) == [(0, "1111"), (1, "0001"), (2, "0000"), (3, "xxxx")]


def test_long_vectors_keep_the_low_bits_and_a_doubt_only_when_bits_are_lost(read):
    padded = read(BUS + "#0\nb000000001010 !\n#1\n")
    assert rows(padded) == [(0, "1010")]
    assert doubts(padded) == []
    lost = read(BUS + "#0\nb110000001010 !\n#1\n")
    assert rows(lost) == [(0, "1010")]
    assert "more bits than declared" in doubts(lost)[0]


def test_wide_vectors_of_every_length(read):
    """A 64-bit bus: eight digits at a time, and the rest."""
    rng = np.random.default_rng(1)
    head = "$timescale 1 ns $end $var wire 64 ! W $end $enddefinitions $end\n"
    values = ["".join(rng.choice(list("01" if n % 3 else "01xz"), size=n)) for n in range(1, 65)]
    text = "".join(f"#{i}\nb{value} !\n" for i, value in enumerate(values))
    capture = read(head + text + "#99\n", mode="state")
    for (_, levels), value in zip(rows(capture), values, strict=False):
        extended = value.rjust(64, "0" if value[0] in "01" else "x")
        assert levels == extended.replace("z", "x")


def test_chosen_bits_of_a_signal_wider_than_a_capture(read):
    head = "$timescale 1 ns $end $var wire 80 ! W $end $enddefinitions $end\n"
    value = "1" + "0" * 7 + "x1" + "0" * 69 + "1"
    capture = read(
        head + f"#0\nb{value} !\n#1\nb1 !\n#2\nx!\n#3\nb1{'0' * 69} !\n#4\nb{'x' * 70} !\n#5\n",
        lines=["W[0]", "W[70]", "W[79]", "W[71]"],
    )
    assert capture.lines == ("W[0]", "W[70]", "W[71]", "W[79]")
    assert rows(capture) == [(0, "1x11"), (1, "0001"), (2, "xxxx"), (3, "0000"), (4, "xxxx")]


def test_aliases_of_one_id_code_are_lines_of_their_own(read):
    capture = read(
        "$timescale 1 ns $end $var wire 1 ! A $end $var wire 1 ! B $end "
        "$var wire 4 # BUS $end $var wire 2 # LOW $end $enddefinitions $end\n"
        "#0\n1!\nb0110 #\n#4\n0!\nbx #\n#5\n"
    )
    assert capture.lines == ("A", "B", *(f"BUS[{i}]" for i in range(4)), "LOW[0]", "LOW[1]")
    assert rows(capture) == [(0, "10011011"), (4, "xxxxxx00")]


@pytest.mark.parametrize(
    ("declared", "lines"),
    [
        ("wire 4 ! addr_bus", ["addr_bus[0]", "addr_bus[1]", "addr_bus[2]", "addr_bus[3]"]),
        ("wire 4 ! DATA [3:0]", ["DATA[0]", "DATA[1]", "DATA[2]", "DATA[3]"]),
        ("wire 4 ! DATA[3:0]", ["DATA[0]", "DATA[1]", "DATA[2]", "DATA[3]"]),
        ("wire 4 ! HI [11:8]", ["HI[8]", "HI[9]", "HI[10]", "HI[11]"]),
        ("wire 4 ! UP [0:3]", ["UP[3]", "UP[2]", "UP[1]", "UP[0]"]),
        ("wire 1 ! A [3]", ["A[3]"]),
        ("wire 1 ! A[3]", ["A[3]"]),
        ("wire 1 ! A [0:0]", ["A[0]"]),
        ("reg 2 ! mem[5] [1:0]", ["mem[5][0]", "mem[5][1]"]),
        ("wire 1 ! R/W", ["R/W"]),
        ("wire 1 ! CHIP SELECT", ["CHIP SELECT"]),
        ("wire 1 ! \\a+b", ["a+b"]),
        ("tri1 1 ! pulled", ["pulled"]),
    ],
)
def test_names_of_the_bits(read, declared, lines):
    capture = read(f"$timescale 1ns $end $var {declared} $end $enddefinitions $end\n#0\n1!\n#1\n")
    assert list(capture.lines) == lines
    assert capture.levels(lines[0])[0] == 1


def test_a_select_of_the_wrong_size_is_doubted(read):
    capture = read(
        "$timescale 1ns $end $var wire 4 ! A [7:0] $end $enddefinitions $end\n#0\n1!\n#1\n"
    )
    assert capture.lines == ("A[0]", "A[1]", "A[2]", "A[3]")
    assert "4 bits" in doubts(capture)[0]


def test_scopes_are_shown_only_where_names_repeat(read):
    capture = read(
        "$timescale 1ns $end $scope module top $end $var wire 1 ! clk $end $var wire 1 # rw $end "
        "$scope task cpu $end $var wire 1 $ clk $end $upscope $end $upscope $end "
        "$enddefinitions $end\n#0 1! 0# 0$\n#1\n"
    )
    assert capture.lines == ("top.clk", "rw", "top.cpu.clk")
    assert rows(capture) == [(0, "001")]


def test_a_signal_declared_twice_is_one_line_and_two_of_one_name_are_numbered(read):
    capture = read(
        "$timescale 1ns $end $var wire 1 ! A $end $var wire 1 ! A $end $var wire 1 # A $end "
        "$enddefinitions $end\n#0 1! 0#\n#1\n"
    )
    assert capture.lines == ("A", "A:2")
    assert "A:2" in doubts(capture)[0]


def test_more_than_64_lines_ask_for_a_choice(read):
    text = (
        '$timescale 1ns $end $var wire 60 ! WIDE $end $var wire 4 " D $end $var wire 1 # CK $end '
        '$enddefinitions $end\n#0\nb1 !\nb1010 "\n1#\n#1\n'
    )
    with pytest.raises(CaptureError, match=r"65 lines(.|\n)*--lines"):
        read(text)
    capture = read(text, lines=["CK", "D"])
    assert capture.lines == ("D[0]", "D[1]", "D[2]", "D[3]", "CK")
    assert rows(capture) == [(0, "11010")]
    assert read(text, lines=["D[2]"]).lines == ("D[2]",)
    with pytest.raises(CaptureError, match=r"DD(.|\n)*D\?"):
        read(text, lines=["DD"])


def test_comments_in_the_body_are_skipped(read):
    capture = read(TWO + '#0\n0!\n0"\n$comment #5 1! $ended x$end $end\n#7\n1!\n$comment $end #9\n')
    assert rows(capture) == [(0, "00"), (7, "01")]
    assert capture.end_ps == 9_000


def test_dump_blocks_are_values_and_dumping_off_is_a_gap(read):
    capture = read(
        TWO + '#0\n$dumpvars\n0!\n1"\n$end\n#10\n1!\n#20\n$dumpoff\nx!\nx"\n$end\n#25\n'
        '#30\n$dumpon\n0!\n1"\n$end\n#40\n$dumpall\n0!\n1"\n$end\n#50\n1!\n#60\n'
    )
    assert rows(capture) == [(0, "10"), (10, "11"), (20, "xx"), (30, "10"), (50, "11")]
    assert capture.gaps.tolist() == [[20_000, 30_000]]


def test_values_claimed_while_dumping_is_off_are_not_believed(read):
    capture = read(TWO + '#0\n0!\n1"\n#5\n$dumpoff $end\n#6\n1!\n#8\n$dumpon 1! $end\n#9\n')
    assert rows(capture) == [(0, "10"), (5, "xx"), (8, "x1")]
    assert capture.gaps.tolist() == [[5_000, 8_000]]


def test_dumping_off_until_the_end_is_a_gap_until_the_end(read):
    capture = read(TWO + '#0\n0!\n1"\n#5\n$dumpoff\nx!\nx"\n$end\n#9\n')
    assert capture.gaps.tolist() == [[5_000, 9_000]]


def test_reals_strings_and_events_are_skipped_by_name(read):
    capture = read(
        "$timescale 1ns $end $var real 64 ! volts $end $var string 1 s label $end "
        "$var wire 1 # A $end $var event 1 e tick $end $enddefinitions $end\n"
        "#0\nr1.5e-3 !\nsreset s\n0#\n1e\n#5\nR2 !\n1#\n#6\n"
    )
    assert capture.lines == ("A",)
    assert rows(capture) == [(0, "0"), (5, "1")]
    (note,) = (n for n in capture.notes if "volts" in n.text)
    assert "label" in note.text
    assert "tick" in note.text


def test_changes_may_stand_on_the_line_of_the_time(read):
    assert rows(read(TWO + '#0 0! 1"\n#5 1! 0"\n#6\n')) == [(0, "10"), (5, "01")]


def test_white_space_is_free(read):
    text = (
        '  $timescale\n\t1\n  ns $end\n   $var  wire\t1 !  A  $end $var wire 2 " B $end\n'
        '\n $enddefinitions\n$end\n\n  #0\n\t 0!\n  b01\n  "\n\n   #5  1!\n\n #6\n'
    )
    assert rows(read(text)) == [(0, "010"), (5, "011")]
    assert rows(read(text.replace("\n", "\r\n"))) == [(0, "010"), (5, "011")]
    assert rows(read("\ufeff" + text)) == [(0, "010"), (5, "011")]


def test_latin_1_names(read):
    text = "$timescale 1ns $end $var wire 1 ! Größe $end $enddefinitions $end\n#0 1!\n#1\n"
    assert read(text).lines == ("Größe",)
    capture = read(text.encode("latin-1"))
    assert capture.lines == ("Größe",)
    assert any(note.kind == "guess" and "Latin-1" in note.text for note in capture.notes)


@pytest.mark.parametrize(
    ("unit", "ps"),
    [("1 s", 10**12), ("100ms", 10**11), ("10 us", 10**7), ("1ns", 1000), ("10 ps", 10)],
)
def test_timescales(read, unit, ps):
    assert read(TWO.replace("1 ns", unit) + "#3\n1!\n#4\n").end_ps == 4 * ps


def test_times_finer_than_a_picosecond_are_rounded_down_and_say_so(read):
    text = TWO.replace("1 ns", "100 fs") + '#0 0! 0"\n#19 1!\n#29 1"\n#31 0!\n#39\n'
    capture = read(text)
    assert capture.time_ps.tolist() == [0, 1, 2, 3]
    assert any("1 ps" in note.text for note in capture.notes)
    merged = read(TWO.replace("1 ns", "1 fs") + '#0 0! 0"\n#1001 1!\n#1999 1"\n#2000 \n')
    assert merged.time_ps.tolist() == [0, 1]
    assert merged.state.tolist() == [0, 3]


def test_no_timescale_is_a_stated_guess_with_its_option(read):
    text = TWO.replace("$timescale 1 ns $end", "") + "#3\n1!\n#4\n"
    capture = read(text)
    assert capture.end_ps == 4_000
    (guess,) = (note for note in capture.notes if note.kind == "guess")
    assert "$timescale" in guess.text
    assert guess.option == "--time-unit ns"
    told = read(text, time_unit="10 us")
    assert told.end_ps == 40_000_000
    assert not any(note.kind == "guess" for note in told.notes)


def test_negative_times_are_read(read):
    """Not in the standard; analysers count from the trigger."""
    assert read(TWO + '#-20\n0!\n1"\n#-5\n1!\n#3\n').time_ps.tolist() == [-20_000, -5_000]


def test_id_codes_of_any_length_and_any_printable_character(read):
    codes = [chr(33 + i) for i in range(20)] + ["#", "$x", "b", "0", "x1", "~~", "abc", "abd"]
    codes += ["longerthan8", "longerthan9", "abcdefgh", "abcdefghi", "%$#"]
    codes = list(dict.fromkeys(codes))
    head = "".join(f"$var wire 1 {code} L{i} $end\n" for i, code in enumerate(codes))
    body = "#0\n" + "".join(f"0{code}\n" for code in codes)
    body += "".join(f"#{i + 1}\n1{code}\nb0 {codes[i - 1]}\n" for i, code in enumerate(codes))
    capture = read("$timescale 1ns $end " + head + "$enddefinitions $end\n" + body + "#999\n")
    assert capture.state.tolist() == [0, *(1 << i for i in range(len(codes)))]


def test_state_mode_makes_each_time_a_row(read):
    text = TWO + '#0 0! 0"\n#1 1!\n#2 1!\n#3\n#3 0!\n'
    assert rows(read(text)) == [(0, "00"), (1, "01"), (3, "00")]
    state = read(text, mode="state")
    assert state.mode == "state"
    assert rows(state) == [(0, "00"), (1, "01"), (2, "01"), (3, "01"), (3, "00")]


# Errors


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        (TWO + "#0\n0!\n#10\n1!\n#9\n0!\n", 6, "backwards"),
        (TWO + "#0\n0!\n\n1?\n", 5, "declared id code"),
        (TWO + "#0\n0!\n1abc\n", 4, "declared id code"),
        (TWO + "#0\n1 !\n", 3, "declared id code"),
        (TWO + "#0\n0!\n2!\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\n#1z\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\n#\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\n\0\0\0\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\nb !\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\n$var wire 1 ? C $end\n", 4, "neither a time nor a value"),
        (TWO + "#0\n0!\nb102 !\n", 4, "no logic level"),
        (TWO + "#0\n0!\n#99999999999999999\n", 4, "too large"),
        (TWO + "#0\n0!\n#99999999999999999999999\n", 4, "too large"),
        ("$var wire 1 ! A $end\n#0\n0!\n", 2, r"before \$enddefinitions"),
        ("$var wire 1 ! A $end\n$dumpvars\n0!\n", 2, r"before \$enddefinitions"),
        ("$var wire 1 ! A $end\n$scope module x $end", 2, r"ends before \$enddefinitions"),
        ("$var wire 1 ! A $end\n$comment never closed", 2, r"ends before \$end after \$comment"),
        ("\n$var wire one ! A $end\n", 2, r"\$var"),
        ("\n$var wire 0 ! A $end\n", 2, "size"),
        ("\n$var wire 99999999999 ! A $end\n", 2, "size"),
        ("\n$var wire 1 \xa3 A $end\n", 2, "id code"),
        ("\n$upscope $end\n", 2, r"\$upscope"),
        ("\n$scope module $end\n", 2, r"\$scope"),
        ("\n$timescale 1 fortnight $end\n", 2, r"\$timescale"),
        ("$enddefinitions $end\n", None, "no signals"),
        ("$var real 1 ! A $end $enddefinitions $end\n#0\n", None, "no line with logic levels"),
        ("", None, "empty"),
        (" \n ", None, "empty"),
    ],
)
def test_errors_name_the_line_and_what_is_wrong(read, text, line, what):
    for chunk in (3, 1 << 20):
        with pytest.raises(CaptureError, match=what) as caught:
            read(text, chunk_bytes=chunk)
        assert caught.value.line == line
        assert caught.value.path is not None


@pytest.mark.parametrize("body", ["", "\n", '$dumpvars 0! 1" $end\n', "#0", "$comment x $end\n"])
def test_a_file_without_samples_is_an_error(read, body):
    with pytest.raises(CaptureError, match="no samples"):
        read(TWO + body)


def test_a_missing_file_is_the_users_error(tmp_path):
    with pytest.raises(CaptureError, match="cannot be read"):
        read_vcd(tmp_path / "absent.vcd")
    with pytest.raises(CaptureError, match="cannot be read"):
        read_vcd(tmp_path)


def test_a_wrong_time_unit_names_the_option(read):
    with pytest.raises(CaptureError, match=r"--time-unit(.|\n)*lightyear"):
        read(TWO + "#0 1!\n#1\n", time_unit="lightyear")


# A file that was cut off


def test_a_last_time_that_may_be_cut_off_is_left_out_and_doubted(read):
    """#50 may have been #500."""
    capture = read(TWO + '#0\n0!\n1"\n#20\n1!\n#50')
    assert rows(capture) == [(0, "10"), (20, "11")]
    assert capture.end_ps == 20_000
    assert "#50" in doubts(capture)[0]


@pytest.mark.parametrize("rest", ["1", "1!", "b10", "b10 ", "b10\n", "$dum"])
def test_a_last_change_that_may_be_cut_off_is_left_out_and_doubted(read, rest):
    capture = read(BUS + "#0\nb1 !\n#20\n" + rest)
    assert rows(capture) == [(0, "0001")]
    assert rest.strip() in doubts(capture)[0]


def test_a_file_that_ends_within_a_block_or_a_comment_is_doubted(read):
    assert "$dumpvars" in doubts(read(TWO + "#0\n$dumpvars\n0!\n"))[0]
    assert "$comment" in doubts(read(TWO + "#0\n0!\n#1\n$comment half a\n"))[0]
    assert "$comment" in doubts(read(TWO + "#0\n0!\n#1\n$comment half a"))[0]
    whole = TWO + '#0\n$dumpvars\n0!\n1"\n$end\n#1\n$comment whole $end'
    assert "line break" in doubts(read(whole))[0]
    assert doubts(read(whole + "\n")) == []


def test_a_file_that_ends_with_a_change_is_doubted_one_with_a_closing_time_is_not(read):
    assert "closing time" in doubts(read(TWO + "#0\n0!\n#1\n1!\n"))[0]
    whole = read(TWO + "#0\n0!\n#1\n1!\n#2\n")
    assert doubts(whole) == []
    assert any("no end mark" in note.text for note in whole.notes)


# The sample rate


@pytest.mark.parametrize(
    ("remark", "rate"),
    [
        ("27 lines, 24 MS/s", Fraction(24_000_000)),
        ("8 channels acquired at 500 kS/s", Fraction(500_000)),
        ("sample rate: 12.5 MHz", Fraction(12_500_000)),
        ("Acquisition with 8/8 channels at 1 MHz", Fraction(1_000_000)),
        ("100MSa/s", Fraction(100_000_000)),
        ("CPU clock 2 MHz", None),
        ("24 MS/s or 25 MS/s", None),
        ("v2.4", None),
    ],
)
def test_a_rate_stated_in_a_comment(read, remark, rate):
    text = f"$comment {remark} $end " + TWO + '#0 0! 0"\n#1000 1!\n#3000\n'
    assert read(text).rate == rate
    assert read(text, rate=Fraction(7)).rate == 7


def test_a_stated_rate_that_the_times_contradict_is_doubted(read):
    text = "$comment 1 MS/s $end " + TWO + '#0 0! 0"\n#1000 1!\n#1300 1"\n#3000\n'
    capture = read(text)
    assert capture.rate == 1_000_000
    assert "grid" in doubts(capture)[0]


@pytest.mark.parametrize("rate", [24_000_000, 16_000_000, 12_000_000, 100_000_000, 500_000])
@pytest.mark.parametrize("offset", [0, 17])
def test_the_rate_is_inferred_from_uneven_times(read, rate, offset):
    rng = np.random.default_rng(rate)
    index = np.cumsum(rng.integers(1, 20, size=400))
    times = offset + index * 10**9 // rate
    changes = "".join(f"#{t}\n{i % 2}!\n" for i, t in enumerate(times))
    capture = read(TWO + changes + f"#{times[-1] + 1000}\n")
    assert capture.rate == rate
    (note,) = (n for n in capture.notes if n.option == "--rate")
    assert note.kind == "guess"


def test_no_rate_is_inferred_from_a_lone_clock_or_from_times_on_no_grid(read):
    clock = "".join(f"#{500 * i}\n{i % 2}!\n" for i in range(1000))
    assert read(TWO + clock).rate is None
    rng = np.random.default_rng(2)
    free = np.cumsum(rng.integers(20, 900, size=1000))
    loose = "".join(f"#{t}\n{i % 2}!\n" for i, t in enumerate(free))
    assert read(TWO + loose).rate is None
