"""A CPU that errs is not where its ROM would give two bytes at one address."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from drill_readings import boot, tide_gauge

from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.program.departures import _always_rom, _gives_another


class Reads(SimpleNamespace):
    def __len__(self):
        return len(self.meant)


def thread_of(reads):
    """A thread of reads, as (address, byte)."""
    address, byte = (np.array(column, np.uint32) for column in zip(*reads, strict=True))
    n = len(address)
    return Reads(
        meant=address | np.uint32(1 << 24),
        seen=byte << np.uint32(16),
        certain=np.full(n, 0x1FFFFFF, np.uint32),
        done=np.ones(n, bool),
    )


def test_a_rom_that_gives_another_byte_tells_that_the_cpu_was_elsewhere():
    rom = _always_rom(tide_gauge())
    assert rom[0xE000]
    assert rom[0xFFFC]
    assert not rom[0x0010]
    assert not rom[0x8000]
    reads = [(0xE000, 0xA9), (0x0010, 1), (0xE000, 0xA9), (0x0010, 2), (0xE000, 0xA5)]
    thread = thread_of(reads)
    assert _gives_another(thread, rom).tolist() == [False, False, False, False, True]


def test_without_a_board_no_address_is_a_roms():
    assert not _always_rom(None).any()


def test_a_cpu_that_errs_is_found_with_lines_unclipped():
    reading = boot(
        Planting(Fault.parse("cpu:U1"), "opcode"),
        seed=3,
        cycles=3000,
        without=("A0", "A1", "A2", "SYNC"),
    )
    departure = reading.program.departure
    assert departure is not None
    assert departure.opcode == 0xE8
