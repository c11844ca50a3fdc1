"""What the makers allow on the bus, by part and speed grade."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from bustrace.cpu.variants import variant_named


@dataclass(frozen=True, slots=True)
class BusLimits:
    """Limits of one speed grade, all in ps.

    Attributes
    ----------
    address_delay : int
        tADS, tRWS: address and R/W valid after phase 2 falls, at most. SYNC is given the same.
    address_hold : int
        tAH, tRWH: at least.
    read_setup, read_hold : int
        tDSU before, tDHR after the fall of phase 2, at least.
    write_delay, write_hold : int
        tMDS after the rise at most, tDHW after the fall of phase 2 at least.
    low, high : int
        Width of phase 2's halves, at least.

    Notes
    -----
    NMOS: Rockwell R650X/R651X data sheet, document 29000D39 revision 8, June 1987, page 13, for
    1 and 2 MHz, and Synertek SY6500 data-book sheet, page 3-39, for 4 MHz and for the widths of
    phase 0.
    W65C02S: its data sheet of 8 October 2018, table 6-3, 5 V; there is one grade, of 14 MHz.
    """

    address_delay: int
    address_hold: int
    read_setup: int
    read_hold: int
    write_delay: int
    write_hold: int
    low: int
    high: int


_GRADES = (
    (
        Fraction(1_000_000),
        BusLimits(225_000, 30_000, 100_000, 10_000, 175_000, 60_000, 480_000, 460_000),
    ),
    (
        Fraction(2_000_000),
        BusLimits(140_000, 30_000, 50_000, 10_000, 100_000, 60_000, 240_000, 240_000),
    ),
    (
        Fraction(4_000_000),
        BusLimits(90_000, 10_000, 50_000, 10_000, 70_000, 20_000, 110_000, 115_000),
    ),
)


_W65C02S = BusLimits(30_000, 10_000, 10_000, 10_000, 25_000, 10_000, 35_000, 35_000)


def limits_for(clock_hz: Fraction, variant: str = "6502") -> BusLimits:
    """Limits of the slowest grade of the CPU that runs at this clock.

    Raises
    ------
    ValueError
        Faster than the part's fastest grade, or slower than a dynamic CPU allows (a cycle of
        40 us).
    """
    if variant_named(variant).name == "W65C02S":
        if clock_hz > 14_000_000:
            raise ValueError(f"{float(clock_hz):g} Hz is above the 14 MHz of a W65C02S")
        return _W65C02S
    if clock_hz < 25_000:
        raise ValueError(f"{float(clock_hz):g} Hz is below what an NMOS 6502 keeps its state at")
    for fastest, limits in _GRADES:
        # Crystals a little above the grade's figure were common: 1.023 MHz on a 1 MHz part.
        if clock_hz <= fastest * Fraction(103, 100):
            return limits
    raise ValueError(f"{float(clock_hz):g} Hz is above the 4 MHz of the fastest NMOS 6502")
