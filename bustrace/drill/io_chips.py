"""Which of the simulated I/O chips stands in for a part."""

from __future__ import annotations

import numpy as np

from bustrace.drill.chips import Device, Registers
from bustrace.drill.ports import PortInterval, PortTimer
from bustrace.drill.screen_chip import ScreenTiming
from bustrace.drill.serial_chip import SerialPort

IoChip = (
    type[Registers] | type[PortTimer] | type[PortInterval] | type[SerialPort] | type[ScreenTiming]
)


def io_chip(part: str, size: int) -> IoChip:
    """The kind of a part; `Registers` for whatever is not known more closely."""
    if "32" in part and size == PortInterval.SIZE:
        return PortInterval
    if "22" in part and size == 16:
        return PortTimer
    if "51" in part and size == SerialPort.SIZE:
        return SerialPort
    if "45" in part and size == ScreenTiming.SIZE:
        return ScreenTiming
    return Registers


def make_io_chip(part: str, size: int, rng: np.random.Generator, hold: int | None) -> Device:
    """A chip as it is at power-on.

    Parameters
    ----------
    part : str
    size : int
    rng : numpy.random.Generator
        Draws what comes in from outside.
    hold : int or None
        For how many cycles what comes in at ports stays as it is; None: as long as the kind likes.
    """
    kind = io_chip(part, size)
    if kind is PortInterval or kind is PortTimer:
        return kind(rng.integers(256, size=(256, 2), dtype=np.uint8), hold or kind.HOLD)
    if kind is SerialPort:
        return SerialPort(rng.integers(256, size=256, dtype=np.uint8))
    if kind is ScreenTiming:
        return ScreenTiming()
    return Registers(size)
