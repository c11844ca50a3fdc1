"""A screen's timing: the part of a 6845 or 6545 that firmware leans on."""

from __future__ import annotations

from typing import ClassVar

from bustrace.drill.chips import SOUND, Inside


class ScreenTiming:
    """Registers and vertical blanking of a 6845-like chip.

    From memory of the makers' 6845 and 6545 sheets: the address register at 0 chooses one of
    18 registers at 1; of these only 12 to 17 can be read. Reading 0 gives, on a 6545, the status:
    bit 5 is high while the picture is blanked vertically. A frame has
    (R0 + 1) * ((R4 + 1) * (R9 + 1) + R5) character clocks, of which the rows of R6 show a picture;
    here a character clock is a bus cycle. Light pen and cursor output are not there.
    """

    AILMENTS: ClassVar[tuple[str, ...]] = ("deaf", "status")
    SIZE = 2
    BLANKED = 0x20
    REGISTERS = 18

    def __init__(self) -> None:
        self.size = self.SIZE
        self._chosen = 0
        self._registers = [0] * self.REGISTERS
        self._started = 0
        self.suffer(SOUND)

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._ailment = inside.ailment

    def reset(self) -> None:
        """RES stops the counters and leaves the registers alone."""
        self._started = 0

    def _blanked(self, cycle: int) -> bool:
        regs = self._registers
        row = (regs[0] + 1) * (regs[9] + 1)
        frame = row * (regs[4] + 1) + (regs[0] + 1) * regs[5]
        return (cycle - self._started) % frame >= row * regs[6]

    def read(self, offset: int, cycle: int) -> int:
        """Register `offset` at `cycle`."""
        if offset == 0:
            blanked = self._ailment != "status" and self._blanked(cycle)
            return self.BLANKED if blanked else 0
        return self._registers[self._chosen] if 12 <= self._chosen < self.REGISTERS else 0

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Choose a register, or give it a byte."""
        if self._ailment == "deaf":
            return
        if offset == 0:
            self._chosen = byte & 0x1F
        elif self._chosen < self.REGISTERS:
            self._registers[self._chosen] = byte

    def requests(self, cycle: int) -> bool:
        """It has no interrupt output."""
        return False
