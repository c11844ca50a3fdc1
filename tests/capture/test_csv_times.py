"""The sample rate behind rounded times: exact where it can be told, nothing where it cannot."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace.capture.csv_reader import read_csv
from bustrace.capture.csv_times import on_grid, rounding_ps, simplest_rate, uniform_rate
from bustrace.units import grid_times, sample_times_ps

MHZ = 10**6


def table(path: Path, rate: Fraction, picks: list[int], form: str, *, moving: bool) -> Path:
    """Write times of samples in us; the line moves in each row, or in every ninth."""
    rows = [
        f"{form.format(float(pick / rate * MHZ))},{(row if moving else row // 9) & 1}\n"
        for row, pick in enumerate(picks)
    ]
    path.write_text("t_us,A\n" + "".join(rows))
    return path


@pytest.mark.parametrize(
    ("rate", "form"),
    [
        (Fraction(24 * MHZ), "{:.5f}"),
        (Fraction(24 * MHZ), "{:.4f}"),
        (Fraction(24 * MHZ), "{:.2f}"),
        (Fraction(16 * MHZ), "{:.3f}"),
        (Fraction(500 * MHZ), "{:.3f}"),
        (Fraction(10**9, 30), "{:.4f}"),
        (Fraction(24_576_000), "{:.6f}"),
        (Fraction(200_000), "{:.0f}"),
        (Fraction(24 * MHZ), "{:.8e}"),
        (Fraction(24 * MHZ), "{:g}"),
        (Fraction(24 * MHZ), "{!r}"),
    ],
)
def test_rate_of_one_row_a_sample(tmp_path: Path, rate: Fraction, form: str) -> None:
    """Rounded, cut to significant digits or in full: the exact rate and exact times come back."""
    path = table(tmp_path / "a.csv", rate, list(range(2000)), form, moving=False)
    capture = read_csv(path)
    assert capture.rate == rate
    assert capture.time_ps.tolist() == sample_times_ps(0, 2000, rate)[::9].tolist()
    assert capture.end_ps == sample_times_ps(1999, 1, rate)[0]
    assert any(n.kind == "guess" and (n.option or "").startswith("--rate ") for n in capture.notes)


@pytest.mark.parametrize(("rate", "form"), [(24, "{:.4f}"), (24, "{:.5f}"), (50, "{:.3f}")])
def test_rate_of_transitions(tmp_path: Path, rate: int, form: str) -> None:
    random = np.random.default_rng(1)
    picks = [0, *np.cumsum(random.integers(1, 30, 3000)).tolist()]
    hertz = Fraction(rate * MHZ)
    capture = read_csv(table(tmp_path / "a.csv", hertz, picks, form, moving=True))
    assert capture.rate == hertz
    assert capture.time_ps.tolist() == sample_times_ps(0, picks[-1] + 1, hertz)[picks].tolist()


def test_times_before_the_trigger_lie_on_the_same_grid(tmp_path: Path) -> None:
    rate = Fraction(24 * MHZ)
    capture = read_csv(
        table(tmp_path / "a.csv", rate, list(range(-50, 500)), "{:.5f}", moving=False)
    )
    assert capture.rate == rate
    assert capture.time_ps[:2].tolist() == [-50 * 125_000 // 3, -41 * 125_000 // 3]


def test_clock_alone_gives_no_rate_away(tmp_path: Path) -> None:
    """Transitions every 0.5 us are no 2 MS/s: the times are kept, with a doubt."""
    path = table(tmp_path / "a.csv", Fraction(2 * MHZ), list(range(500)), "{:.4f}", moving=True)
    capture = read_csv(path)
    assert capture.rate is None
    assert capture.time_ps[1] == 500_000
    assert any(n.kind == "doubt" and n.option == "--rate" for n in capture.notes)


def test_few_different_steps_are_enough(tmp_path: Path) -> None:
    """A quiet board moves at a few places of its cycle: four multiples of the shortest step."""
    picks = [0, *np.cumsum([1, 2, 8, 5] * 50).tolist()]
    rate = Fraction(16 * MHZ)
    assert read_csv(table(tmp_path / "a.csv", rate, picks, "{:.4f}", moving=True)).rate == rate
    picks = [0, *np.cumsum([7, 8, 7, 9] * 50).tolist()]
    capture = read_csv(table(tmp_path / "a.csv", rate, picks, "{:.4f}", moving=True))
    assert capture.rate is None


def test_times_off_any_grid_are_kept(tmp_path: Path) -> None:
    random = np.random.default_rng(2)
    times = np.cumsum(random.integers(20_000, 900_000, 2000)).tolist()
    rows = [f"{time / 1e6:.6f},{row & 1}\n" for row, time in enumerate(times)]
    path = tmp_path / "a.csv"
    path.write_text("t_us,A\n" + "".join(rows))
    capture = read_csv(path)
    assert capture.rate in (None, Fraction(10**12))
    assert capture.time_ps.tolist() == times


def test_stated_rate_that_the_times_contradict_is_doubted(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("# Rate: 10 MHz\nt_us,A\n0.00,0\n0.13,1\n0.29,0\n")
    capture = read_csv(path)
    assert capture.time_ps.tolist() == [0, 130_000, 290_000]
    assert any(n.kind == "doubt" and "10 MS/s" in n.text for n in capture.notes)


def test_rate_option_puts_times_on_its_grid(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t_us,A\n0.00,0\n0.04,1\n0.13,0\n")
    capture = read_csv(path, rate=Fraction(24 * MHZ))
    assert capture.time_ps.tolist() == [0, 41_666, 125_000]


@given(
    st.integers(-(10**9), 10**9),
    st.sampled_from([24 * MHZ, 16 * MHZ, 10**8, 24_576_001]),
    st.integers(1, 3),
)
def test_grid_is_that_of_units(first: int, hertz: int, parts: int) -> None:
    """index * 10^12 * den // num, in whole numbers, wherever it is computed."""
    rate = Fraction(hertz, parts)
    index = np.arange(first, first + 5, dtype=np.int64)
    expected = [i * 10**12 * rate.denominator // rate.numerator for i in index.tolist()]
    assert grid_times(index, rate).tolist() == expected


def test_two_times_on_one_sample_are_no_fit() -> None:
    times = np.array([0, 100, 200], dtype=np.int64)
    assert on_grid(times, Fraction(10**9), 1000) is None
    fit = on_grid(np.array([0, 999, 2001], dtype=np.int64), Fraction(10**9), 1)
    assert fit is not None
    assert fit.tolist() == [0, 1000, 2000]
    assert on_grid(np.array([0, 998, 2001], dtype=np.int64), Fraction(10**9), 1) is None


def test_grid_counted_from_the_first_time_where_zero_is_no_sample() -> None:
    fit = on_grid(np.array([300, 1300, 4300], dtype=np.int64), Fraction(10**9), 1)
    assert fit is not None
    assert fit.tolist() == [300, 1300, 4300]


def test_weight_of_the_last_digit() -> None:
    """2499.5000 us: eight digits of 2,499,500,000 ps, the last worth 100 ps."""
    assert rounding_ps(8, 2_499_500_000) == 100
    assert rounding_ps(17, 2_499_500_000) == 1
    assert rounding_ps(0, 0) == 1


def test_simplest_rate_between_bounds() -> None:
    assert simplest_rate(Fraction(23_999_999), Fraction(24_000_001)) == 24 * MHZ
    assert simplest_rate(Fraction(33_333_333), Fraction(33_333_334)) == Fraction(10**12, 30_000)
    assert simplest_rate(Fraction(21 * MHZ), Fraction(26 * MHZ)) is None, "22, 24, 25 ...?"
    assert uniform_rate(0, 10, 2, 1) is None
