"""Which capture line is which pin, and where the clip sits."""

from __future__ import annotations

from dataclasses import dataclass

from bustrace.capture.model import Note

ADDRESS_PINS = tuple(f"A{bit}" for bit in range(16))
DATA_PINS = tuple(f"D{bit}" for bit in range(8))
CLOCK_PINS = ("PHI2", "PHI1", "PHI0")
SELECT = "select:"
"""Prefix of a chip select's pin name: ``select:U4``."""


@dataclass(frozen=True, slots=True)
class Tap:
    """One clip.

    Attributes
    ----------
    line : str
        Name in the capture.
    index : int
        Bit of the line in `Capture.state`.
    pin : str
        What it was taken for: ``A0`` to ``A15``, ``D0`` to ``D7``, a clock pin, a control pin of
        `bustrace.cycles.CONTROL`, or ``select:REF`` with the chip's reference on the board (or
        the name after ``CS_`` where no board is known).
    inverted : bool
        For a control or bus pin: the capture shows the opposite of the pin's level. For a select:
        the line is active low. Levels of `Cycles` are pin levels, its selects 1 when asserted.
    why : str
        ``name``, ``board``, ``given`` or ``behaviour``.
    place : str or None
        Where the clip sits, ``U1.24`` or ``U1``; None for the default, the CPU's pin.
    """

    line: str
    index: int
    pin: str
    inverted: bool = False
    why: str = "name"
    place: str | None = None

    @property
    def name(self) -> str:
        """The pin, or, of a chip select, the chip's reference."""
        return self.pin.removeprefix(SELECT)


@dataclass(frozen=True, slots=True)
class Hookup:
    """All clips of a capture.

    Attributes
    ----------
    taps : tuple of Tap
        At most one a pin.
    second : tuple of Tap
        Further clips on pins that have one in `taps`, at another place of the net: `Cycles` are
        made without them, they are only compared.
    unused : tuple of str
        Capture lines that were taken for nothing.
    questions : tuple of str
        What only the person who placed the clips can say; not empty when the names do not tell.
    notes : tuple of Note
        What was decided, and how to override it.
    """

    taps: tuple[Tap, ...]
    unused: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    second: tuple[Tap, ...] = ()

    def tap(self, pin: str) -> Tap | None:
        """The clip on a pin, or None when that pin was not captured."""
        return next((tap for tap in self.taps if tap.pin == pin), None)

    def has(self, *pins: str) -> bool:
        """Whether all these pins were captured."""
        return all(self.tap(pin) is not None for pin in pins)

    @property
    def selects(self) -> tuple[Tap, ...]:
        """Clips on chip selects, in the capture's order."""
        return tuple(tap for tap in self.taps if tap.pin.startswith(SELECT))

    @property
    def address_mask(self) -> int:
        """Captured address pins as bits 0 to 15."""
        return sum(1 << bit for bit, pin in enumerate(ADDRESS_PINS) if self.has(pin))

    @property
    def data_mask(self) -> int:
        """Captured data pins as bits 0 to 7."""
        return sum(1 << bit for bit, pin in enumerate(DATA_PINS) if self.has(pin))
