"""28-pin parts and the part with a port.

Sources: Rockwell R650X/R651X page 2 and Synertek SY6500 page 3-44 for the address pins; the maker's
6510 sheet, Rev A, November 1982, for the port. That data pins are not driven in writes to the port,
and that reset makes all its lines inputs: from memory.
"""

import numpy as np
import pytest

from bustrace.cpu import CpuState, Executor, replay, variant_named


@pytest.mark.parametrize(
    ("part", "bits"),
    [("6502", 16), ("6512", 16), ("6504", 13), ("6507", 13), ("6514", 13), ("6503", 12),
     ("6505", 12), ("6506", 12), ("6513", 12), ("6515", 12), ("6510", 16)],
)  # fmt: skip
def test_address_pins_are_those_of_the_sheets(part, bits):
    assert variant_named(part).address_bits == bits


def test_the_reset_vector_of_a_6507_is_read_at_1ffc():
    """Facts of the trade, section 6: $FFFC appears as $1FFC."""
    cpu = Executor("6507", s=0x10)
    seen = []
    for _ in range(12):
        seen.append(cpu.address)
        cpu.clock({0x1FFC: 0x00, 0x1FFD: 0xF0}.get(cpu.address, 0xEA))
    assert seen[7:10] == [0x1FFC, 0x1FFD, 0x1000]


def test_lines_without_a_pin_are_known_and_low():
    state = CpuState.at_fetch("6507", known=(), pc=0x1234)
    state.amend("pc", 0x1234, 0x1FFF)
    trace = replay(
        state, [0xEA, 0xEA, 0x4C, 0x00, 0xFF], address=[0x1234, 0x1235, 0x1235, 0x1236, 0x1237]
    )
    assert trace.address_known.tolist() == [0xFFFF] * 5
    assert trace.first_mismatch is None
    assert trace.state.address == 0x1F00


def drive(cpu, program, port_pins=0xFF):
    """Run a program at $8000 to its end; the data pins show $5A wherever nobody drives."""
    end, rows = 0x8000 + len(program), []
    while cpu.address != end:
        address = cpu.address
        inside = address < 2
        value = port_pins if inside else program[address - 0x8000] if address >= 0x8000 else 0x5A
        rows.append((address, cpu.rw, cpu.data_out, cpu.drives_data, value))
        cpu.clock(value)
    return rows


def test_the_port_reads_outputs_as_written_and_inputs_at_the_pins():
    cpu = Executor("6510", pc=0x8000, p=0x24)
    drive(cpu, bytes((0xA9, 0x0F, 0x85, 0x00, 0xA9, 0x35, 0x85, 0x01, 0xA5, 0x01)), port_pins=0xA0)
    assert cpu.a == 0xA5
    drive_on = Executor.from_state(cpu.state)
    assert drive_on.pc == 0x800A


def test_writes_to_the_port_are_cycles_that_do_not_drive_the_data_pins():
    cpu = Executor("6510", pc=0x8000, a=0x2F)
    rows = drive(cpu, bytes((0x85, 0x00, 0x85, 0x01, 0x85, 0x02)))
    writes = [row for row in rows if not row[1]]
    assert [(row[0], row[2], row[3]) for row in writes] == [
        (0, 0x2F, 0),
        (1, 0x2F, 0),
        (2, 0x2F, 1),
    ]


def test_a_replay_compares_no_data_at_the_port_and_takes_none_from_the_pins():
    program = [
        0xA9,
        0x2F,
        0x85,
        0x00,
        0x5A,
        0xA9,
        0x37,
        0x85,
        0x01,
        0x5A,
        0xA5,
        0x01,
        0x5A,
        0xA5,
        0x00,
        0x5A,
    ]
    state = CpuState.at_reset("6510")
    res = np.ones(30, np.uint8)
    res[:3] = 0
    reads = np.array([0xEA] * 9 + [0, 0, 0][:1] + [0x00, 0x80] + program + [0xEA] * 2, np.uint8)
    trace = replay(state, reads, res=res[: len(reads)], data=reads)
    begin = int(np.flatnonzero(trace.address == 0x8000)[0])
    assert begin == 12
    assert trace.first_mismatch is None
    written = np.flatnonzero(trace.rw == 0)
    assert trace.data_out[written].tolist() == [0x2F, 0x37]
    assert trace.inside[written].tolist() == [1, 1]
    assert not trace.data_mismatch.any()
    value, known = trace.state.register("a")
    assert (value, known) == (0x2F, 0xFF), "the direction register is the CPU's own"
    before = replay(state, reads[: begin + 13], res=res[: begin + 13])
    assert before.state.register("a") == (before.state.register("a")[0], 0x2F)
    assert before.state.register("a")[0] & 0x2F == 0x37 & 0x2F
