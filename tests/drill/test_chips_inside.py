"""Ports, timer and memory, register by register."""

import numpy as np
import pytest

from bustrace.drill.chips import Inside, Memory, Registers
from bustrace.drill.ports import PortTimer


@pytest.fixture
def io():
    return PortTimer(np.array([[0xA5, 0x3C], [0x00, 0xFF]], dtype=np.uint8))


def test_port_pins_follow_direction_bit_by_bit(io):
    """Outputs read back what was written, inputs the pin (makers' 6522 sheets, from memory)."""
    io.write(io.DDR_A, 0x0F, 0)
    io.write(io.PORT_A, 0x33, 0)
    assert io.read(io.PORT_A, 0) == 0xA3
    assert io.read(io.PORT_B, 0) == 0x3C
    assert io.read(io.PORT_B, PortTimer.HOLD) == 0xFF
    assert io.read(io.DDR_A, 0) == 0x0F


@pytest.mark.parametrize("period", [1, 10, 389])
def test_free_running_timer_asks_every_n_plus_2_cycles(io, period):
    """Makers' 6522 sheets, from memory."""
    io.write(io.ACR, 0x40, 0)
    io.write(io.T1L_L, period & 0xFF, 0)
    io.write(io.T1C_H, period >> 8, 0)
    io.write(io.IER, 0xC0, 0)
    asked = []
    for cycle in range(1, 5 * (period + 2)):
        if io.requests(cycle):
            asked.append(cycle)
            io.read(io.T1C_L, cycle)
    assert asked == [(period + 2) * turn for turn in range(1, 5)]


def test_one_shot_asks_once(io):
    io.write(io.T1C_L, 20, 0)
    io.write(io.T1C_H, 0, 0)
    io.write(io.IER, 0xC0, 0)
    assert not io.requests(21)
    assert io.requests(22)
    io.write(io.IFR, 0x40, 23)
    assert not any(io.requests(cycle) for cycle in range(23, 500))


def test_request_needs_its_enable_bit_and_reset_takes_it_away(io):
    io.write(io.T1C_L, 5, 0)
    io.write(io.T1C_H, 0, 0)
    assert not io.requests(50)
    assert io.read(io.IFR, 50) == 0x40
    io.write(io.IER, 0xC0, 50)
    assert io.requests(51)
    assert io.read(io.IFR, 51) == 0xC0
    io.write(io.IER, 0x40, 52)
    assert not io.requests(53)
    io.write(io.IER, 0xC0, 54)
    io.reset()
    assert not io.requests(55)


def test_memory_masks_its_bad_cells_and_planes():
    content = np.array([0x00, 0xFF], dtype=np.uint8)
    ram = Memory(content, True)
    ram.suffer(Inside(cells={0: (0xFF, 0x08), 1: (0xFE, 0x00)}, plane=(0x7F, 0x00)))
    assert (ram.read(0, 0), ram.read(1, 0)) == (0x08, 0x7E)
    ram.write(0, 0xF0, 0)
    assert ram.read(0, 0) == 0x78
    rom = Memory(content, False)
    rom.write(0, 0x12, 0)
    assert rom.read(0, 0) == 0x00


def test_unknown_chip_gives_back_what_each_register_took():
    chip = Registers(4)
    chip.write(2, 0x77, 0)
    assert [chip.read(offset, 1) for offset in range(4)] == [0, 0, 0x77, 0]
    assert not chip.requests(0)
