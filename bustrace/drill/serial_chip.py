"""A serial port: the part of a 6551 that firmware leans on."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import numpy.typing as npt

from bustrace.drill.chips import SOUND, Inside


class SerialPort:
    """Transmitter, receiver, status and interrupt of a 6551.

    From memory of the makers' 6551 sheets: data at 0, status at 1 (a write there resets), command
    at 2, control at 3. Status: bit 7 asked for an interrupt, bit 4 transmitter empty, bit 3
    receiver full, bit 2 overrun; reading it takes bit 7 away, reading the data bit 3. Command:
    bit 0 lets it work, bit 1 keeps the receiver from asking, bits 3 and 2 as 01 let the
    transmitter ask. A character takes the same time whatever the control register says; DCD and
    DSR are low, parity and framing always right.

    Parameters
    ----------
    inputs : uint8, shape (m,)
        Characters that come in, over and over.
    hold : int
        A character comes in every so many cycles.
    """

    AILMENTS: ClassVar[tuple[str, ...]] = ("deaf", "status", "quiet", "asking")
    SIZE = 4
    DATA, STATUS, COMMAND, CONTROL = range(4)
    ASKED, EMPTY, FULL, OVERRUN = 0x80, 0x10, 0x08, 0x04
    HOLD = 900
    CHARACTER = 260
    """Cycles that a character takes to go out."""

    def __init__(self, inputs: npt.NDArray[np.uint8], hold: int = HOLD) -> None:
        self.size = self.SIZE
        self._inputs: list[int] = inputs.tolist()
        self._hold = hold
        self._arrived = 0
        self._received = 0
        self._status = self.EMPTY
        self._command = self._control = 0
        self._sent: int | None = None
        self.suffer(SOUND)

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._ailment = inside.ailment

    def reset(self) -> None:
        """RES stops transmitter and receiver."""
        self._command = self._control = 0
        self._status = self.EMPTY
        self._sent = None

    def _tick(self, cycle: int) -> None:
        if self._sent is not None and cycle >= self._sent:
            self._sent = None
            self._status |= self.EMPTY
            if self._command & 0x0C == 0x04:
                self._status |= self.ASKED
        arrived = cycle // self._hold
        if arrived > self._arrived:
            self._arrived = arrived
            if self._command & 0x01:
                self._receive(arrived)

    def _receive(self, number: int) -> None:
        if self._status & self.FULL:
            self._status |= self.OVERRUN
            return
        self._received = self._inputs[number % len(self._inputs)]
        self._status |= self.FULL
        if not self._command & 0x02:
            self._status |= self.ASKED

    def read(self, offset: int, cycle: int) -> int:
        """Register `offset` at `cycle`."""
        self._tick(cycle)
        if offset == self.DATA:
            self._status &= ~(self.FULL | self.OVERRUN)
            return self._received
        if offset == self.STATUS:
            status = self._status
            self._status &= ~self.ASKED
            # The bit that firmware waits for before it sends.
            return status & ~self.EMPTY if self._ailment == "status" else status
        return self._command if offset == self.COMMAND else self._control

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Take a byte; one for the data register goes out."""
        self._tick(cycle)
        if self._ailment == "deaf":
            return
        if offset == self.DATA:
            self._status &= ~self.EMPTY
            self._sent = cycle + self.CHARACTER
        elif offset == self.STATUS:
            self._command &= 0xE0
            self._status &= ~self.OVERRUN
        elif offset == self.COMMAND:
            self._command = byte
        else:
            self._control = byte

    def requests(self, cycle: int) -> bool:
        """Whether IRQ is pulled low."""
        if self._ailment in ("quiet", "asking"):
            return self._ailment == "asking"
        self._tick(cycle)
        return bool(self._status & self.ASKED)
