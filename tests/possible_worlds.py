"""What a recording shows of the registers at best: an oracle for the registers recovered.

The program is run by py65, an independent simulator. Then it is run again and again from other
registers, given what the recording read. A world in which an access differs from the recording is
refuted; one that is not, to the recording's end, might have been the true one. A bit is knowable
where all worlds that are left agree on it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from py65.devices.mpu65c02 import MPU as Cmos
from py65.devices.mpu6502 import MPU as Nmos

Access = tuple[bool, int, int]
State = tuple[int, int, int, int, int, int]

FLAGS = (0x80, 0x40, 0x08, 0x04, 0x02, 0x01)


class _Refuted(Exception):
    """An access differs from the recording's."""


class _Recorder:
    """Memory that keeps what was accessed."""

    def __init__(self, image: bytes) -> None:
        self.content = bytearray(image)
        self.accesses: list[Access] = []

    def __getitem__(self, address: int) -> int:
        self.accesses.append((False, address, self.content[address]))
        return self.content[address]

    def __setitem__(self, address: int, value: int) -> None:
        self.accesses.append((True, address, value))
        if address < 0x800:
            self.content[address] = value


class _Replayer:
    """Memory that gives what was recorded, and takes nothing else."""

    def __init__(self) -> None:
        self.left: Iterator[Access] = iter(())

    def _next(self) -> Access:
        access = next(self.left, None)
        if access is None:
            raise _Refuted
        return access

    def __getitem__(self, address: int) -> int:
        writes, at, value = self._next()
        if writes or at != address:
            raise _Refuted
        return value

    def __setitem__(self, address: int, value: int) -> None:
        if self._next() != (True, address, value):
            raise _Refuted


class Recording:
    """Instructions of a program as py65 runs it, from reset.

    Attributes
    ----------
    states : list of (PC A X Y S P)
        Before each instruction, and after the last one.
    accesses : list of list of (writes, address, value)
        Those of each instruction.
    """

    def __init__(self, image: bytes, instructions: int, s: int, variant: str) -> None:
        self._device = Nmos if variant == "6502" else Cmos
        memory = _Recorder(image)
        mpu = self._device(memory=memory, pc=image[0xFFFC] | image[0xFFFD] << 8)
        mpu.sp, mpu.p = s, 0x34
        self.states: list[State] = []
        self.accesses: list[list[Access]] = []
        for _ in range(instructions):
            self.states.append(_state(mpu))
            memory.accesses = []
            mpu.step()
            self.accesses.append(memory.accesses)
        self.states.append(_state(mpu))

    def knowable(self, first: int, end: int) -> np.ndarray:
        """Bits of A X Y S P that can be known before each instruction of a part, uint8 (n, 5)."""
        hidden = np.zeros((end - first, 5), np.uint8)
        for other in _others(self.states[first]):
            hidden |= self._left_open(first, end, other)
        return ~hidden

    def _left_open(self, first: int, end: int, other: State) -> np.ndarray:
        """Bits in which another world differs, if nothing refutes it."""
        differs = np.zeros((end - first, 5), np.uint8)
        memory = _Replayer()
        mpu = self._device(memory=memory)
        mpu.pc, mpu.a, mpu.x, mpu.y, mpu.sp, mpu.p = other
        for n in range(first, end):
            now, true = _state(mpu), self.states[n]
            if now == true:
                break
            differs[n - first] = [a ^ b for a, b in zip(now[1:], true[1:], strict=True)]
            memory.left = iter(self.accesses[n])
            try:
                mpu.step()
            except _Refuted:
                return np.zeros_like(differs)
            if next(memory.left, None) is not None:
                return np.zeros_like(differs)
        return differs


def _state(mpu: Nmos) -> State:
    return mpu.pc, mpu.a, mpu.x, mpu.y, mpu.sp, mpu.p | 0x30


def _others(true: State) -> Iterator[State]:
    """Each register as anything else, the flags in every way, and A together with carry."""
    pc, a, x, y, s, p = true
    for change in range(1, 256):
        yield pc, a ^ change, x, y, s, p
        yield pc, a ^ change, x, y, s, p ^ 1
        yield pc, a, x ^ change, y, s, p
        yield pc, a, x, y ^ change, s, p
        yield pc, a, x, y, s ^ change, p
    for change in range(1, 64):
        yield pc, a, x, y, s, p ^ sum(flag for bit, flag in enumerate(FLAGS) if change >> bit & 1)
