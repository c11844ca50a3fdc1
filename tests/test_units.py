"""Times and rates are exact; Python's own integers and fractions are the oracle."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace.units import (
    PS_PER_SECOND,
    format_rate,
    format_time,
    numbered_runs,
    parse_rate,
    parse_time_ps,
    sample_index,
    sample_times_ps,
)

RATES = st.sampled_from(
    [
        *(Fraction(rate) for rate in (1000, 1_022_727, 16_000_000, 24_000_000, 500_000_000)),
        Fraction(10**9, 3),
        Fraction(25 * 10**6, 7),
    ]
)
INDICES = st.integers(-(10**9), 10**9)


@given(RATES, INDICES, st.integers(0, 20))
def test_sample_times_are_index_times_ten_to_the_twelfth_over_the_rate(rate, first, count):
    """time = index * 10^12 * den // num for every index, with no error that accumulates."""
    times = sample_times_ps(first, count, rate)
    assert times.dtype == np.int64
    assert times.tolist() == [
        index * PS_PER_SECOND * rate.denominator // rate.numerator
        for index in range(first, first + count)
    ]


def test_a_period_of_24_megasamples_is_not_rounded():
    """41,666.67 ps: the third sample is at exactly 125 ns, the day's last at its true place."""
    assert sample_times_ps(0, 4, Fraction(24_000_000)).tolist() == [0, 41_666, 83_333, 125_000]
    day = 24_000_000 * 86_400
    assert sample_times_ps(day, 1, Fraction(24_000_000)).tolist() == [86_400 * PS_PER_SECOND]


@given(st.integers(1, 10**9), st.integers(0, 10**6), st.integers(0, 3))
def test_rates_that_share_no_factor_with_a_second_are_exact_too(hertz, seconds, more):
    """A counted rate such as 99,999,989 Hz has a period of large terms; none overflows."""
    index = hertz * seconds + more
    (time,) = sample_times_ps(index, 1, Fraction(hertz)).tolist()
    assert time == index * PS_PER_SECOND // hertz


@given(RATES, INDICES)
def test_sample_index_undoes_sample_times(rate, index):
    """The index of a sample's time is that sample."""
    assert sample_index(int(sample_times_ps(index, 1, rate)[0]), rate) == index


@given(RATES, st.integers(0, 10**15))
def test_sample_index_is_the_last_sample_not_after_the_time(rate, time_ps):
    """Between two samples the earlier one holds."""
    index = sample_index(time_ps, rate)
    here, after = sample_times_ps(index, 2, rate).tolist()
    assert here <= time_ps < after


@pytest.mark.parametrize(
    ("text", "hertz"),
    [
        ("24MHz", 24_000_000),
        ("24 MS/s", 24_000_000),
        ("24 MSa/s", 24_000_000),
        ("24 Msps", 24_000_000),
        ("1.5 GHz", 1_500_000_000),
        ("1,5 kHz", 1500),
        ("1e6", 1_000_000),
        ("24000000", 24_000_000),
        ("  500 k ", 500_000),
        ("0.1 Hz", Fraction(1, 10)),
    ],
)
def test_rates_as_people_write_them(text, hertz):
    """A prefix, a unit or none, comma or point: the value is exact."""
    assert parse_rate(text) == hertz


@pytest.mark.parametrize("text", ["", "MHz", "24 V", "1.2.3", "1_000", "inf", "nan", "24 MHz x"])
def test_what_is_no_rate_is_refused_with_an_example(text):
    """The message repeats the text and shows how to write one."""
    with pytest.raises(ValueError, match="24MHz") as refused:
        parse_rate(text)
    assert repr(text) in str(refused.value)


@pytest.mark.parametrize("text", ["0", "0 MHz", "-24 MHz"])
def test_rates_must_be_above_zero(text):
    with pytest.raises(ValueError, match="above zero"):
        parse_rate(text)


@pytest.mark.parametrize(
    ("text", "time_ps"),
    [
        ("1 s", PS_PER_SECOND),
        ("3ms", 3_000_000_000),
        ("1.5us", 1_500_000),
        ("1,5 µs", 1_500_000),
        ("1.5 μs", 1_500_000),
        ("-20 ns", -20_000),
        ("7 ps", 7),
        ("1e-3 s", 1_000_000_000),
        ("0.4 ps", 0),
    ],
)
def test_times_as_people_write_them(text, time_ps):
    """Micro with either letter or u, signs, exponents; rounded to a picosecond."""
    assert parse_time_ps(text) == time_ps


@pytest.mark.parametrize("text", ["", "5", "5 m", "5 MS", "ns", "1 2 ns", "5 nsec"])
def test_a_time_needs_its_unit(text):
    """A bare number is refused, since nobody knows its unit."""
    with pytest.raises(ValueError, match="is not a time"):
        parse_time_ps(text)


@given(st.integers(-(10**18), 10**18))
def test_a_printed_time_reads_back_within_its_four_digits(time_ps):
    """What `format_time` prints, `parse_time_ps` reads, to four significant digits."""
    again = parse_time_ps(format_time(time_ps))
    assert abs(again - time_ps) <= abs(time_ps) * 0.0005 + 0.5


@pytest.mark.parametrize(
    ("time_ps", "text"),
    [(0, "0 ps"), (999, "999 ps"), (1000, "1 ns"), (-1500, "-1.5 ns"), (2_500_000, "2.5 us"),
     (123_456_789_000, "123.5 ms"), (PS_PER_SECOND, "1 s")],
)  # fmt: skip
def test_times_are_printed_in_the_unit_that_suits_them(time_ps, text):
    assert format_time(time_ps) == text


@given(st.fractions(min_value=Fraction(1), max_value=Fraction(10**10), max_denominator=1000))
def test_a_printed_rate_reads_back_within_its_five_digits(rate):
    for unit in ("Hz", "S/s"):
        again = parse_rate(format_rate(rate, unit))
        assert abs(again - rate) <= rate * Fraction(6, 10**5)


def test_rates_are_printed_with_prefix_and_unit():
    assert format_rate(Fraction(24_000_000), "S/s") == "24 MS/s"
    assert format_rate(Fraction(894_886)) == "894.89 kHz"
    assert format_rate(Fraction(2_000_000_000)) == "2 GHz"
    assert format_rate(Fraction(50)) == "50 Hz"


@pytest.mark.parametrize(
    ("names", "text"),
    [
        (["A0", "A1", "A2", "RW"], "A0-A2, RW"),
        (["U6", "U7"], "U6, U7"),
        (["U9", "U10", "U11", "U20"], "U9-U11, U20"),
        (["U5", "IC6", "IC7", "IC8"], "U5, IC6-IC8"),
        (["A09", "A10"], "A09, A10"),
        ([], ""),
    ],
)
def test_numbered_names_in_a_row_are_condensed(names, text):
    """Three or more neighbours of one letter become first and last."""
    assert numbered_runs(names) == text
