"""Firmware in py65, an emulator of others: the same writes, the same memory.

The boards with a display and with 28 pins are run in py65 in test_demo_boards.py.
"""

from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from py65.devices.mpu6502 import MPU

from bustrace.board import load_board
from bustrace.board.model import READ
from bustrace.drill import make_board, make_io_board, simulate
from bustrace.drill.plant import plant
from bustrace.drill.planted import Chances
from bustrace.drill.running import Run
from bustrace.drill.simulate import RESET_LOW

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def written(folder, board):
    (folder / "rom.bin").write_bytes(board.rom)
    (folder / "board.toml").write_text(board.toml)
    return load_board(folder / "board.toml"), board.main_loop


class Space:
    """What py65 reads and writes: memory of its own, and for all else what came in the drill.

    RAM that the firmware reads before it writes it holds what it held in the drill at power-on.
    """

    def __init__(self, run, end):
        self.board, self.writes, self.state = run.board, [], run.board.reset_state
        self.cells, self.came_in = {}, defaultdict(list)
        written = set()
        for k in range(RESET_LOW + 8, end):
            address, byte = int(run.cpu_address[k]), int(run.cpu_data[k])
            here = self._cell(address)
            if not run.cpu_rw[k]:
                written.add(here)
            elif here is not None:
                if here not in written:
                    self.cells.setdefault(here, byte)
            elif not self._is_dummy(run, k):
                self.came_in[address].append(byte)

    @staticmethod
    def _is_dummy(run, k):
        """The read before an indexed store, which py65 does not do: one write follows, not two."""
        nexts = [(int(run.cpu_address[j]), int(run.cpu_rw[j])) for j in (k + 1, k + 2)]
        here = int(run.cpu_address[k])
        return nexts[0] == (here, 0) and nexts[1] != (here, 0)

    def _chip(self, address):
        table = self.board.maps[self.state]
        for chip in self.board.mapped:
            if table.responds[READ, address] >> table.index(chip.ref) & 1:
                return chip, int(table.offsets[table.index(chip.ref), address])
        return None, -1

    def _cell(self, address):
        """Name of the memory byte there; None where no memory answers."""
        chip, offset = self._chip(address)
        return (chip.role, offset) if chip and chip.role in ("ram", "rom") else None

    def __getitem__(self, address):
        chip, offset = self._chip(address)
        if chip is not None and chip.role == "rom":
            return int(chip.images[0].content[offset])
        if chip is not None and chip.role == "ram":
            return self.cells.get(("ram", offset), 0)
        return self.came_in[address].pop(0)

    def __setitem__(self, address, byte):
        self.writes.append((address, byte))
        here = self._cell(address)
        if here is not None and here[0] == "ram":
            self.cells[here] = byte


def powered_on(board, seed, space):
    """py65 with the registers that the drill draws for power-on, after its reset sequence."""
    chances = Chances(seed)
    sound = {0: plant(board, [], chances)}
    how = {"undriven": "keeps", "display": None, "io_hold": None, "power_on": {}}
    cpu = Run(board, sound, np.zeros(1, np.int64), seed=seed, chances=chances, **how).executor
    mpu = MPU(memory=space)
    mpu.a, mpu.x, mpu.y = cpu.a, cpu.x, cpu.y
    # Reset makes as if it pushed three bytes, and sets I (R650X sheet, page 2).
    mpu.sp, mpu.p = (cpu.s - 3) & 0xFF, cpu.p | mpu.INTERRUPT | mpu.UNUSED
    mpu.pc = space[0xFFFC] | space[0xFFFD] << 8
    return mpu


def writes_again(run, k):
    """Read, modify, write: an NMOS part first writes back what it read, which py65 does not."""
    return not run.cpu_rw[k + 1] and run.cpu_address[k + 1] == run.cpu_address[k]


def agrees(board, main, seed, cycles):
    run = simulate(board, cycles=cycles, seed=seed)
    ends = np.flatnonzero((run.cpu_address == main) & (run.sync == 1))
    assert len(ends), "the main loop is reached"
    end = int(ends[0])
    released = int(np.flatnonzero(run.res == 1)[0])
    ours = [
        (int(run.cpu_address[k]), int(run.cpu_data[k]))
        for k in range(released + 8, end)
        if not run.cpu_rw[k] and not writes_again(run, k)
    ]
    space = Space(run, end)
    mpu = powered_on(board, seed, space)
    for _ in range(cycles):
        if mpu.pc == main:
            break
        mpu.step()
    assert mpu.pc == main
    assert ours == space.writes
    assert not any(space.came_in.values()), "it took every byte that came in"
    return ours


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_the_tide_gauge_runs_to_its_main_loop_alike(tide_gauge, seed):
    """The address of the main loop is the assembler's."""
    assert len(agrees(tide_gauge, 0xE01A, seed, 7000)) > 300


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_boards_with_io_run_to_their_main_loop_alike(tmp_path, seed):
    board, main = written(tmp_path, make_io_board(np.random.default_rng(seed)))
    assert len(agrees(board, main, seed, 6000)) > 128


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_made_up_boards_run_to_their_main_loop_alike(tmp_path, seed):
    board, main = written(tmp_path, make_board(np.random.default_rng((seed, 7))))
    assert len(agrees(board, main, seed, 6000)) > 64
