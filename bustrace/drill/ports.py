"""I/O chips with ports and timers: the parts of a 6522 and a 6532 that firmware leans on."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from bustrace.drill.chips import SOUND, Inside


class PortTimer:
    """Two ports, two timers and the shift register of a 6522.

    From memory of the makers' 6522 sheets (Rockwell R6522, Synertek SY6522): the registers, and
    that a timer started with N asks N + 2 cycles later. Timer 1 asks once or runs free; timer 2
    asks once and counts on, or (ACR bit 5) counts pulses at PB6, of which there are none here. The
    shift register (ACR bits 4 to 2) takes or gives eight bits, one in every two cycles or every two
    runs of timer 2's low latch, then sets its flag; the modes clocked from outside wait for ever.
    What it takes in is the level of port B's input 0. Free running shifts, handshakes, latching,
    PB7 and the pins CA and CB are not there.

    Parameters
    ----------
    inputs : uint8, shape (m, 2)
        Levels at the pins of ports A and B.
    hold : int
        Each row of `inputs` holds for so many cycles, then the next.
    """

    AILMENTS: ClassVar[tuple[str, ...]] = ("deaf", "timer", "status", "quiet", "asking")
    HOLD = 64
    PORT_B, PORT_A, DDR_B, DDR_A, T1C_L, T1C_H, T1L_L, T1L_H, T2C_L, T2C_H, SHIFT = range(11)
    ACR, PCR, IFR, IER, PORT_A_PLAIN = range(0xB, 0x10)
    T1_FLAG, T2_FLAG, SHIFT_FLAG = 0x40, 0x20, 0x04

    def __init__(self, inputs: npt.NDArray[np.uint8], hold: int = HOLD) -> None:
        self.size = 16
        self._hold = hold
        self._ailment = ""
        self._inputs: list[list[int]] = inputs.tolist()
        self._out = [0, 0]
        self._direction = [0, 0]
        self._latch, self._latch_2 = 0xFFFF, 0xFF
        self._control = self._pins = 0
        self._enabled = 0
        self._raised = 0
        self._timeout: int | None = None
        self._second = _Once()
        self._shifter = _Shifter()
        self.suffer(SOUND)

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._ailment = inside.ailment

    def reset(self) -> None:
        """RES clears all registers but the timers' counters and latches and the shift register."""
        self._out = [0, 0]
        self._direction = [0, 0]
        self._control = self._pins = 0
        self._enabled = 0
        self._raised = 0
        self._shifter.stop()

    def _tick(self, cycle: int) -> None:
        """Raise the flags of what has come about by this cycle."""
        self._shift(cycle)
        if self._ailment == "timer":
            if self._timeout is not None:
                self._timeout = cycle + self._latch + 2
            self._second.hold(cycle)
            return
        if self._second.asks(cycle):
            self._raised |= self.T2_FLAG
        while self._timeout is not None and cycle >= self._timeout:
            self._raised |= self.T1_FLAG
            free_running = self._control & 0x40
            self._timeout = self._timeout + self._latch + 2 if free_running else None

    def _shift(self, cycle: int) -> None:
        if self._shifter.left:
            dead = self._ailment == "timer" and self._control >> 2 & 3 == _Shifter.BY_TIMER
            if self._shifter.run(cycle, self._serial_in, dead):
                self._raised |= self.SHIFT_FLAG

    def _serial_in(self, cycle: int) -> int:
        return self._inputs[cycle // self._hold % len(self._inputs)][1] & 1

    def _port(self, port: int, cycle: int) -> int:
        levels = self._inputs[cycle // self._hold % len(self._inputs)][port]
        direction = self._direction[port]
        return self._out[port] & direction | levels & ~direction & 0xFF

    def _flags(self) -> int:
        flags = self._raised if self._ailment != "status" else 0
        return flags | (0x80 if flags & self._enabled else 0)

    def read(self, offset: int, cycle: int) -> int:
        """Register `offset` at `cycle`; reading a counter's low byte drops its request."""
        self._tick(cycle)
        if offset in (self.PORT_A, self.PORT_A_PLAIN):
            return self._port(0, cycle)
        if offset == self.PORT_B:
            return self._port(1, cycle)
        if offset in (self.DDR_A, self.DDR_B):
            return self._direction[offset == self.DDR_B]
        if offset in (self.T1C_L, self.T1C_H):
            left = 0xFFFF if self._timeout is None else max(self._timeout - cycle - 1, 0)
            if offset == self.T1C_L:
                self._raised &= ~self.T1_FLAG
                return left & 0xFF
            return left >> 8 & 0xFF
        if offset in (self.T1L_L, self.T1L_H):
            return self._latch >> (8 * (offset - self.T1L_L)) & 0xFF
        if offset in (self.T2C_L, self.T2C_H):
            if offset == self.T2C_L:
                self._raised &= ~self.T2_FLAG
            return self._second.count(cycle) >> (8 * (offset - self.T2C_L)) & 0xFF
        if offset == self.SHIFT:
            byte = self._shifter.byte
            self._start_shifting(cycle)
            return byte
        return {
            self.ACR: self._control,
            self.PCR: self._pins,
            self.IFR: self._flags(),
            self.IER: self._enabled | 0x80,
        }.get(offset, 0)

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Take a byte; writing a counter's high byte starts the timer."""
        self._tick(cycle)
        if self._ailment == "deaf":
            return
        if offset in (self.PORT_A, self.PORT_A_PLAIN):
            self._out[0] = byte
        elif offset == self.PORT_B:
            self._out[1] = byte
        elif offset in (self.DDR_A, self.DDR_B):
            self._direction[offset == self.DDR_B] = byte
        elif offset in (self.T1C_L, self.T1L_L):
            self._latch = self._latch & 0xFF00 | byte
        elif offset in (self.T1C_H, self.T1L_H):
            self._latch = self._latch & 0x00FF | byte << 8
            self._raised &= ~self.T1_FLAG
            if offset == self.T1C_H:
                self._timeout = cycle + self._latch + 2
        elif offset == self.T2C_L:
            self._latch_2 = byte
        elif offset == self.T2C_H:
            self._raised &= ~self.T2_FLAG
            self._second.start(byte << 8 | self._latch_2, cycle, bool(self._control & 0x20))
        elif offset == self.SHIFT:
            self._shifter.byte = byte
            self._start_shifting(cycle)
        elif offset == self.ACR:
            self._control = byte
            if not byte >> 2 & 7:
                self._shifter.stop()
        elif offset == self.PCR:
            self._pins = byte
        elif offset == self.IFR:
            self._raised &= ~byte
        elif offset == self.IER:
            chosen = byte & 0x7F
            self._enabled = self._enabled | chosen if byte & 0x80 else self._enabled & ~chosen

    def _start_shifting(self, cycle: int) -> None:
        self._raised &= ~self.SHIFT_FLAG
        self._shifter.start(self._control >> 2 & 7, self._latch_2, cycle)

    def requests(self, cycle: int) -> bool:
        """Whether IRQ is pulled low."""
        if not self._enabled or self._ailment in ("quiet", "asking"):
            return self._ailment == "asking"
        self._tick(cycle)
        return bool(self._raised & self._enabled)


class _Once:
    """A counter that asks once and counts on."""

    def __init__(self) -> None:
        self._loaded, self._started = 0xFFFF, 0
        self._armed = self._waits = False

    def start(self, loaded: int, cycle: int, waits: bool) -> None:
        """Count from `loaded`; with `waits` for pulses from outside, which never come."""
        self._loaded, self._started = loaded, cycle
        self._armed, self._waits = True, waits

    def hold(self, cycle: int) -> None:
        """It does not count."""
        self._started = cycle

    def asks(self, cycle: int) -> bool:
        """Whether it has passed zero; true once."""
        over = self._armed and not self._waits and cycle >= self._started + self._loaded + 2
        self._armed = self._armed and not over
        return over

    def count(self, cycle: int) -> int:
        """What it holds."""
        passed = 0 if self._waits else max(cycle - self._started - 1, 0)
        return (self._loaded - passed) & 0xFFFF


class _Shifter:
    """A byte that goes round bit by bit, the highest first."""

    BY_TIMER, BY_CYCLES = 1, 2

    def __init__(self) -> None:
        self.byte = self.left = 0
        self._next = self._step = 0
        self._gives = False

    def start(self, mode: int, latch: int, cycle: int) -> None:
        """Eight bits more, in a mode of ACR bits 4 to 2."""
        clocked = mode & 3
        self.left = 8 if clocked in (self.BY_TIMER, self.BY_CYCLES) else 0
        self._gives = bool(mode & 4)
        self._step = 2 if clocked == self.BY_CYCLES else 2 * (latch + 2)
        self._next = cycle + self._step

    def stop(self) -> None:
        """No more bits."""
        self.left = 0

    def run(self, cycle: int, level: Callable[[int], int], dead: bool) -> bool:
        """Shift as far as it has come; whether the eighth bit is through.

        Parameters
        ----------
        cycle : int
        level : function of a cycle
            What comes in then.
        dead : bool
            Its clock does not run.
        """
        if dead:
            self._next = cycle + self._step
        while self.left and cycle >= self._next:
            bit = self.byte >> 7 if self._gives else level(self._next)
            self.byte = self.byte << 1 & 0xFF | bit
            self.left -= 1
            self._next += self._step
        return not self.left


class PortInterval:
    """The ports and the timer of a 6532; its RAM is a `Memory` beside it.

    Registers by address lines A4 to A0, from memory of the makers' 6532 sheets: ports and their
    directions at 0 to 3; with A2 high a read gives the timer (A0 low) or its flag in bit 7 (A0
    high), and a write with A4 high starts the timer at 1, 8, 64 or 1024 cycles a step. The timer
    counts a step at once, sets its flag when it passes zero and then counts single cycles; reading
    it, or starting it, takes the flag away. The edge detector on PA7 is not there.

    Parameters
    ----------
    inputs : uint8, shape (m, 2)
        Levels at the pins of ports A and B.
    hold : int
        Each row of `inputs` holds for so many cycles, then the next.
    """

    AILMENTS: ClassVar[tuple[str, ...]] = ("deaf", "timer", "status", "quiet", "asking")
    HOLD = 64
    SIZE = 32
    PORT_A, DDR_A, PORT_B, DDR_B = range(4)
    TIMER, FLAG, START = 0x04, 0x05, 0x14
    STEPS = (1, 8, 64, 1024)

    def __init__(self, inputs: npt.NDArray[np.uint8], hold: int = HOLD) -> None:
        self.size = self.SIZE
        self._hold = hold
        self._inputs: list[list[int]] = inputs.tolist()
        self._out = [0, 0]
        self._direction = [0, 0]
        self._set, self._step, self._started = 0xFF, 1024, 0
        self._enabled = False
        self._taken: int | None = None
        self.suffer(SOUND)

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._ailment = inside.ailment

    def reset(self) -> None:
        """RES makes all pins inputs; the timer runs on."""
        self._out = [0, 0]
        self._direction = [0, 0]
        self._enabled = False

    def _expires(self, cycle: int) -> int:
        """Cycle in which the timer passes zero, seen from `cycle`."""
        if self._ailment == "timer":
            return cycle + self._set * self._step + 1
        return self._started + self._set * self._step + 1

    def _flag(self, cycle: int) -> bool:
        over = self._expires(cycle)
        return cycle >= over and (self._taken is None or self._taken < over)

    def _count(self, cycle: int) -> int:
        over = self._expires(cycle)
        if cycle >= over:
            return (over - cycle - 1) & 0xFF
        passed = 0 if self._ailment == "timer" else cycle - self._started
        return (self._set - -(-passed // self._step)) & 0xFF

    def read(self, offset: int, cycle: int) -> int:
        """Register `offset` at `cycle`; reading the timer takes its flag away."""
        if offset & 0x04:
            if offset & 0x01:
                return 0x80 if self._flag(cycle) and self._ailment != "status" else 0x00
            self._enabled = bool(offset & 0x08)
            if cycle >= self._expires(cycle):
                self._taken = cycle
            return self._count(cycle)
        port = offset >> 1 & 1
        if offset & 1:
            return self._direction[port]
        levels = self._inputs[cycle // self._hold % len(self._inputs)][port]
        direction = self._direction[port]
        return self._out[port] & direction | levels & ~direction & 0xFF

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Take a byte; with A4 and A2 high it starts the timer."""
        if self._ailment == "deaf":
            return
        if offset & 0x04:
            if offset & 0x10:
                self._set, self._step = byte, self.STEPS[offset & 3]
                self._started, self._taken = cycle, None
                self._enabled = bool(offset & 0x08)
        elif offset & 1:
            self._direction[offset >> 1 & 1] = byte
        else:
            self._out[offset >> 1 & 1] = byte

    def requests(self, cycle: int) -> bool:
        """Whether IRQ is pulled low."""
        if self._ailment in ("quiet", "asking"):
            return self._ailment == "asking"
        return self._enabled and self._flag(cycle)
