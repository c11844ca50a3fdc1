"""Every opcode, every case of the open single-instruction set, cycle by cycle.

Source: "65x02" single-instruction tests (Thomas Harte et al., MIT licence), a software model. The
only departures allowed are its known errors, found by comparing it with a transistor-level
simulation:

* the twelve jam opcodes: its cases stop after three cycles;
* 0C, and 1C 3C 5C 7C DC FC where indexing carries: its final read is missing;
* 93 9B 9C 9E 9F where indexing carries: it leaves out that the chip puts the stored value on the
  high address byte, and ANDs the value with a high byte that has been carried into before.
"""

import numpy as np
import pytest

from bustrace.cpu import CpuState, StopReason, opcode_info, replay

JAMS = {0x02, 0x12, 0x22, 0x32, 0x42, 0x52, 0x62, 0x72, 0x92, 0xB2, 0xD2, 0xF2}
READ_MISSING_ALWAYS = {0x0C}
READ_MISSING_ON_CARRY = {0x1C, 0x3C, 0x5C, 0x7C, 0xDC, 0xFC}
STORES_AND_HIGH = {0x93, 0x9B, 0x9C, 0x9E, 0x9F}
INDEX = {0x93: "y", 0x9B: "y", 0x9C: "x", 0x9E: "y", 0x9F: "y"}
UNSTABLE = {
    0x8B: "XAA",
    0xAB: "LXA",
    0x93: "SHA",
    0x9F: "SHA",
    0x9E: "SHX",
    0x9C: "SHY",
    0x9B: "TAS",
}


def start_of(case):
    pc, s, a, x, y, p = (int(value) for value in case.initial)
    return CpuState.at_fetch(pc=pc, s=s, a=a, x=x, y=y, p=p)


def registers_of(state):
    return [state.register(name)[0] for name in ("pc", "s", "a", "x", "y", "p")]


def carries(case):
    """Whether indexing carries into the high byte, from the case's own operands."""
    pc, _, _, x, y, _ = (int(value) for value in case.initial)
    ram = case.initial_ram
    operand = ram[(pc + 1) & 0xFFFF]
    info = opcode_info("6502", case.opcode)
    if info.mode == "(zp),y":
        return ram[operand] + y > 0xFF
    return operand + (x if info.mode == "abs,x" else y) > 0xFF


def check_case(case):
    """The whole case: each cycle's address, R/W and written data, length, registers, RAM."""
    n = len(case.address)
    trace = replay(start_of(case), case.data, address=case.address, data=case.data, rw=case.rw)
    assert trace.stop is StopReason.RAN_OUT, (case.opcode, trace.first_mismatch)
    np.testing.assert_array_equal(trace.address, case.address)
    np.testing.assert_array_equal(trace.rw, case.rw)
    writes = case.rw == 0
    np.testing.assert_array_equal(trace.data_out[writes], case.data[writes])
    assert trace.state.sync == 1, f"{case.opcode:02X} is longer than {n} cycles"
    assert list(np.flatnonzero(trace.sync)) == [0], f"{case.opcode:02X} is shorter than {n} cycles"
    assert registers_of(trace.state) == list(case.final), f"{case.opcode:02X}"
    ram = dict(case.initial_ram)
    for k in range(n):
        address = int(trace.address[k])
        if trace.rw[k]:
            assert ram[address] == case.data[k]
        else:
            ram[address] = int(trace.data_out[k])
    assert ram == case.final_ram, f"{case.opcode:02X}"


def is_known_error(case):
    if case.opcode in JAMS | READ_MISSING_ALWAYS:
        return True
    return case.opcode in READ_MISSING_ON_CARRY | STORES_AND_HIGH and carries(case)


@pytest.mark.slow
def test_every_case_outside_the_known_errors_agrees_in_every_cycle(nmos_cases):
    checked = np.zeros(256, dtype=int)
    for place in range(len(nmos_cases)):
        case = nmos_cases[place]
        if not is_known_error(case):
            check_case(case)
            checked[case.opcode] += 1
    assert set(np.flatnonzero(checked == 0)) == JAMS | READ_MISSING_ALWAYS


@pytest.mark.slow
def test_known_errors_differ_only_as_described(nmos_cases):
    seen = np.zeros(256, dtype=int)
    for opcode in JAMS | READ_MISSING_ALWAYS | READ_MISSING_ON_CARRY | STORES_AND_HIGH:
        for case in nmos_cases.of(opcode):
            if not is_known_error(case):
                continue
            seen[opcode] += 1
            n = len(case.address)
            trace = replay(start_of(case), case.data)
            if opcode in JAMS:
                np.testing.assert_array_equal(trace.address[:2], case.address[:2])
                assert trace.address[2] == 0xFFFF
                assert not trace.sync[1:].any()
            elif opcode in STORES_AND_HIGH:
                np.testing.assert_array_equal(trace.address[: n - 1], case.address[: n - 1])
                np.testing.assert_array_equal(trace.rw[:n], case.rw)
                high, low = divmod(int(case.address[n - 2]), 256)
                kept = {
                    "SHA": case.initial[2] & case.initial[3],
                    "TAS": case.initial[2] & case.initial[3],
                    "SHX": case.initial[3],
                    "SHY": case.initial[4],
                }[UNSTABLE[opcode]]
                value = int(kept) & ((high + 1) & 0xFF)
                assert trace.data_out[n - 1] == value
                assert trace.address[n - 1] == value << 8 | low
                assert trace.state.sync == 1
                assert registers_of(trace.state) == list(case.final)
            else:
                np.testing.assert_array_equal(trace.address, case.address)
                assert trace.state.rw == 1
                assert trace.state.sync == 0, "the chip reads once more"
                after = replay(trace.state, [0x55]).state
                assert after.sync == 1
                assert registers_of(after) == list(case.final)
    assert (
        seen[sorted(JAMS | READ_MISSING_ALWAYS | READ_MISSING_ON_CARRY | STORES_AND_HIGH)] > 0
    ).all()


def test_unstable_opcodes_are_named_one_by_one():
    """Common practice: these depend on the die or on bus contention."""
    found = {
        opcode: opcode_info("6502", opcode).mnemonic
        for opcode in range(256)
        if not opcode_info("6502", opcode).stable
    }
    assert found == UNSTABLE


def test_the_set_covers_all_opcodes(shipped_cases):
    assert np.array_equal(np.bincount(shipped_cases.arrays["opcode"]), np.full(256, 10))
