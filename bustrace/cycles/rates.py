"""Whether the sample rate resolves the bus, and what to say when it does not."""

from __future__ import annotations

from fractions import Fraction

from bustrace.capture.model import Note
from bustrace.units import format_rate, format_time

FEWEST_SAMPLES = 3
"""Samples a cycle below which nothing is decoded."""

_READ_WINDOWS_PS = ((900_000, 110_000), (225_000, 60_000), (0, 20_000))
"""From this period on, how long read data are stable at least: setup before the fall plus hold
after it. NMOS sheets at 1 MHz: 100 + 10 ns, at 2 and 4 MHz: 50 + 10 ns; W65C02S table 6-3 at
14 MHz: 10 + 10 ns."""


def too_coarse(period_ps: int, sample_ps: int) -> str | None:
    """Why a clock cannot be followed at this sample interval, or None."""
    if sample_ps and period_ps < FEWEST_SAMPLES * sample_ps:
        samples = period_ps / sample_ps
        return (
            f"{samples:.3g} samples a cycle are too few to follow the clock: capture at "
            f"{_wanted(period_ps)} or more"
        )
    return None


def rate_doubts(period_ps: int, sample_ps: int, expected_hz: Fraction | None) -> list[Note]:
    """What the rate leaves in doubt.

    Parameters
    ----------
    period_ps : int
        The clock's period as captured.
    sample_ps : int
        Sample interval, 0 when unknown.
    expected_hz : Fraction or None
        The CPU's clock as the board file tells it.
    """
    if not sample_ps:
        return []
    notes = []
    if expected_hz is not None and period_ps * expected_hz > Fraction(3, 2) * 10**12:
        expected_ps = int(Fraction(10**12) / expected_hz)
        if sample_ps * FEWEST_SAMPLES > expected_ps:
            notes.append(
                Note(
                    "doubt",
                    f"The clock should run at {format_rate(expected_hz)}, which samples "
                    f"{format_time(sample_ps)} apart cannot follow: what looks like a clock of "
                    f"{format_rate(Fraction(10**12, period_ps))} may be an artefact.",
                )
            )
    if period_ps < 4 * sample_ps:
        notes.append(
            Note(
                "doubt",
                f"Only {period_ps / sample_ps:.2g} samples a cycle: levels may be taken before "
                f"they settle. Capture at {_wanted(period_ps)} or more.",
            )
        )
    else:
        window = next(w for least, w in _READ_WINDOWS_PS if period_ps >= least)
        if sample_ps > window:
            notes.append(
                Note(
                    "doubt",
                    f"Samples are {format_time(sample_ps)} apart, but read data need only be "
                    f"stable for {format_time(window)} around the clock's fall: some bytes may be "
                    f"caught in motion. Capture at {_wanted(period_ps)} or more.",
                )
            )
    return notes


def _wanted(period_ps: int) -> str:
    """A rate that hits the read window every cycle, in whole MS/s."""
    window = next(w for least, w in _READ_WINDOWS_PS if period_ps >= least)
    rate = max(10**12 / window, 8 * 10**12 / period_ps)
    return f"{-(-rate // 10**6):.0f} MS/s"
