import os
import subprocess
import sys

import pytest

from bustrace.cpu import CpuState, Executor, replay
from bustrace.errors import InputError

PROGRAM = {0x8000: 0xA9, 0x8001: 0x12, 0x8002: 0x8D, 0x8003: 0x34, 0x8004: 0x02, 0x8005: 0xEA}


def drive(cpu, cycles):
    rows = []
    for _ in range(cycles):
        rows.append((cpu.address, cpu.rw, cpu.data_out, cpu.sync))
        cpu.clock(PROGRAM.get(cpu.address, 0xEA))
    return rows


def test_pins_are_those_of_the_current_cycle_and_clock_ends_it():
    cpu = Executor(pc=0x8000)
    assert drive(cpu, 7) == [
        (0x8000, 1, 0, 1),
        (0x8001, 1, 0, 0),
        (0x8002, 1, 0, 1),
        (0x8003, 1, 0, 0),
        (0x8004, 1, 0, 0),
        (0x0234, 0, 0x12, 0),
        (0x8005, 1, 0, 1),
    ]
    assert (cpu.a, cpu.x, cpu.y, cpu.pc, cpu.p) == (0x12, 0, 0, 0x8006, 0x24)


def test_a_clone_goes_its_own_way():
    cpu = Executor(pc=0x8000)
    drive(cpu, 2)
    other = cpu.clone()
    first, second = drive(cpu, 5), drive(other, 5)
    assert first == second
    other.clock(0xFF)
    assert cpu.address != other.address or cpu.sync != other.sync


def test_the_state_is_a_copy_from_which_a_replay_goes_on():
    cpu = Executor(pc=0x8000)
    drive(cpu, 2)
    state = cpu.state
    drive(cpu, 3)
    trace = replay(state, [0x8D, 0x34, 0x02, 0])
    assert trace.address.tolist() == [0x8002, 0x8003, 0x8004, 0x0234]
    assert trace.data_out.tolist() == [0, 0, 0, 0x12]
    assert state.address == 0x8002


def test_without_pc_it_starts_in_reset():
    cpu = Executor(s=0x10)
    rows = drive(cpu, 8)
    assert [row[3] for row in rows] == [0, 0, 1, 0, 0, 0, 0, 0]
    assert [row[0] for row in rows[4:]] == [0x110, 0x10F, 0x10E, 0xFFFC]


def test_wrong_registers_values_and_parts_are_refused():
    with pytest.raises(ValueError, match="a = 256 is out of range"):
        CpuState.at_fetch(a=256)
    with pytest.raises(TypeError, match="no such register: b"):
        CpuState.at_fetch(b=0)
    with pytest.raises(InputError, match="unknown CPU"):
        Executor("8080")


@pytest.mark.slow
def test_the_plain_python_of_the_kernels_gives_the_same():
    """The kernels uncompiled, over one case of every opcode: no error hides in the compiling."""
    script = """
import numpy as np
from bustrace.cpu import CpuState, replay
with np.load("fixtures/cpu_cases/nmos6502_cases.npz") as packed:
    data = dict(packed)
checked = 0
for i in range(0, len(data["opcode"]), 10):
    cycles = data["cycles"][data["cycles_offset"][i] : data["cycles_offset"][i + 1]]
    pc, s, a, x, y, p = (int(v) for v in data["initial"][i])
    start = CpuState.at_fetch(pc=pc, s=s, a=a, x=x, y=y, p=p)
    trace = replay(start, cycles[:, 1], stop_on_mismatch=False)
    print(i, trace.address.tolist(), trace.rw.tolist(), trace.data_out.tolist(),
          [trace.state.register(r) for r in ("pc", "s", "a", "x", "y", "p")])
"""
    outputs = []
    for plain in ("0", "1"):
        environment = {**os.environ, "NUMBA_DISABLE_JIT": plain}
        done = subprocess.run(
            [sys.executable, "-W", "error", "-c", script],
            cwd=os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))),
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        outputs.append(done.stdout)
    assert outputs[0].count("\n") == 256
    assert outputs[0] == outputs[1]
