"""The demo boards with firmware of our own assembler: what they run, and how they share a bus."""

import importlib.util
import sys
from dataclasses import replace

import numpy as np
import pytest
from drill_readings import FIXTURES
from py65.devices.mpu65c02 import MPU as Cmos
from py65.devices.mpu6502 import MPU as Nmos

from bustrace.board import load_board
from bustrace.cpu import CpuState, replay
from bustrace.drill import CPU_DRIVES, Display, assemble, line_names, sample, simulate

DISPLAY = Display(every=40, run=6, first=0x0400, length=16, starts=3)
BOARDS = {"departure_board": (Cmos, 0xC000, 0xFFFF), "kiln_control": (Nmos, 0xF000, 0x1FFF)}


def the_board(name, **options):
    return load_board(FIXTURES / name / "board.toml", **options)


def labels(name):
    source = (FIXTURES / name / f"{name}.s").read_text(encoding="utf-8")
    return assemble(source, the_board(name).cpu.variant).labels


@pytest.fixture(scope="module", params=BOARDS)
def name(request):
    return request.param


@pytest.fixture(scope="module")
def departures():
    return simulate(the_board("departure_board"), cycles=3500, seed=4, display=DISPLAY)


@pytest.fixture(scope="module")
def kiln():
    return simulate(the_board("kiln_control"), cycles=2500, seed=4)


def test_the_image_is_what_the_source_says(name, tmp_path):
    spec = importlib.util.spec_from_file_location("make_fixtures", FIXTURES / "make_fixtures.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    made = module.make_image(name, tmp_path)
    assert made.read_bytes() == (FIXTURES / name / f"{name}.bin").read_bytes()


def test_a_board_file_fits_on_one_screen(name):
    text = (FIXTURES / name / "board.toml").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 40
    assert max(map(len, text.splitlines())) <= 100


class Memory:
    """64 KB for py65, with the board's ROM, and a list of all that is written."""

    def __init__(self, name, given):
        _, self.first, self.mask = BOARDS[name]
        self.rom = (FIXTURES / name / f"{name}.bin").read_bytes()
        self.given = given
        self.cells, self.writes, self.banked = {}, [], False

    def __getitem__(self, address):
        here = address & self.mask
        if here in self.given:
            return self.given[here].pop(0)
        if here >= self.first & self.mask and not (self.banked and here < 0xE000):
            return self.rom[here - (self.first & self.mask)]
        return self.cells.get(here, 0)

    def __setitem__(self, address, byte):
        here = address & self.mask
        self.writes.append((here, byte))
        self.cells[here] = byte
        if self.mask == 0xFFFF and here == 0xB000:
            self.banked = bool(byte & 1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_py65_runs_the_same_firmware_to_the_same_memory(name, seed):
    """Every write up to the main loop, in order: the drill's cycles against py65's instructions."""
    display = DISPLAY if name == "departure_board" else None
    run = simulate(the_board(name), cycles=2600, seed=seed, display=display)
    mpu, _, mask = BOARDS[name]
    main = labels(name)["main"] & mask
    end = np.flatnonzero((run.cpu_address == main) & (run.sync == 1) & (run.be == 1))[0]
    own = np.flatnonzero((run.be == 1) & (np.arange(len(run)) < end))
    ours = [(int(run.cpu_address[k]), int(run.cpu_data[k])) for k in own if not run.cpu_rw[k]]
    ports = {}
    for k in own:
        if name == "kiln_control" and run.cpu_rw[k] and 0x400 <= run.cpu_address[k] < 0x410:
            ports.setdefault(int(run.cpu_address[k]), []).append(int(run.cpu_data[k]))
    memory = Memory(name, ports)
    cpu = mpu(memory=memory)
    cpu.pc = memory[0xFFFC] | memory[0xFFFD] << 8
    for _ in range(2000):
        if cpu.pc & mask == main:
            break
        cpu.step()
    assert cpu.pc & mask == main
    assert len(ours) > 90
    assert ours == memory.writes


def test_a_replay_of_the_reads_agrees_with_the_bus(departures):
    """The CPU's own executor, RDY included, over all cycles in which the bus was the CPU's."""
    run, own = departures, departures.be == 1
    trace = replay(
        CpuState.at_reset(run.board.cpu.variant),
        run.cpu_data,
        res=run.res,
        irq=run.irq,
        rdy=run.rdy,
        address=run.clip_address,
        address_known=np.where(own, 0xFFFF, 0).astype(np.uint16),
        data=run.clip_data,
        data_known=np.where(own, 0xFF, 0).astype(np.uint8),
        rw=run.rw,
        rw_known=own,
        sync=run.sync,
    )
    assert trace.first_mismatch is None


# ---- banks


def test_ram_lies_under_the_rom_and_comes_up_when_it_is_banked_in(departures):
    """Writes go through to it; reads come from the ROM until the bank bit is set."""
    run, board = departures, departures.board
    rams = [f"U{n}" for n in range(20, 28)]
    window = (run.cpu_address >= 0xC000) & (run.cpu_address < 0xE000) & (run.be == 1)
    writes = window & (run.cpu_rw == 0)
    assert writes.any()
    assert (run.drivers[writes] == np.uint32(CPU_DRIVES)).all()
    for state, ref in ((0, "U5"), (1, "U20")):
        reads = window & (run.cpu_rw == 1) & (run.state == state)
        assert reads.any()
        assert run.drives(ref)[reads].all()
    end = labels("departure_board")["bankedend"]
    banked = window & (run.cpu_rw == 1) & (run.state == 1) & (run.cpu_address < end)
    assert all((run.drives(ref) == run.drives("U20")).all() for ref in rams)
    image = board.image_bytes("U5")
    # The timetable's first entry is changed in RAM; all else is a copy of the ROM.
    changed = run.cpu_address[banked] == 0xC100
    assert (run.clip_data[banked] == image[run.cpu_address[banked]])[~changed].all()
    assert (run.clip_data[banked][changed] == image[0xC100] + 1).any()


def test_the_bank_bit_follows_what_is_written_to_its_latch(departures):
    run = departures
    at = np.flatnonzero((run.cpu_rw == 0) & (run.cpu_address == 0xB000) & (run.be == 1))
    assert len(at) >= 4
    assert (run.state[at + 1] == run.cpu_data[at] & 1).all()
    assert (run.state[run.res == 0] == 0).all()


@pytest.mark.parametrize(
    ("fault", "level"),
    [("register:U7", 0), ("stuck:BANK=0@U7", 0), ("stuck:BANK=1@U7", 1), ("stuck:CS_U7=1@bus", 0)],
)
def test_a_dead_bank_latch_leaves_one_bank(fault, level):
    run = simulate(the_board("departure_board"), cycles=2000, seed=4, faults=[fault])
    assert (run.state == level).all()


def test_one_bit_rams_fail_one_bit():
    run = simulate(the_board("departure_board"), cycles=900, seed=4, faults=["plane:U23.3"])
    mine = run.drives("U23")
    assert mine.any()
    assert len(np.unique(run.clip_data[mine] >> 3 & 1)) == 1
    assert len(np.unique(run.clip_data[mine] >> 2 & 1)) == 2
    none = simulate(the_board("departure_board"), cycles=900, seed=4, faults=["shared:ram-bank"])
    assert not any(none.drives(f"U{n}").any() for n in range(20, 28))


# ---- the display


def test_the_display_takes_whole_runs_and_the_cpu_waits(departures):
    run = departures
    low = run.be == 0
    assert np.array_equal(run.rdy == 0, low)
    starts = np.flatnonzero(np.diff(low.astype(int)) == 1) + 1
    assert (np.diff(starts) == DISPLAY.every).all()
    assert low.sum() // DISPLAY.run >= len(starts)
    assert (run.rw[low] == 1).all()
    assert run.clip_address[low][:18].tolist() == [0x0400 + k % 16 for k in range(18)]
    assert run.drives("U20")[low].all()
    # The CPU goes on with what it was about to do.
    for first in starts[:20]:
        assert len(np.unique(run.cpu_address[first : first + DISPLAY.run + 1])) == 1


def test_a_cpu_without_bus_enable_shares_with_no_display():
    with pytest.raises(ValueError, match="6507 has no BE"):
        simulate(the_board("kiln_control"), cycles=10, display=DISPLAY)


def test_the_chips_of_a_bank_share_one_line_and_answer_together(departures):
    lines = line_names(departures)
    assert lines[-4:] == ("CS_ROM", "CS_RAM", "CS_VIA", "CS_LAT")
    assert "BE" in lines


# ---- 28 pins


def test_a_6507_has_thirteen_address_lines_and_no_interrupts(kiln):
    lines = line_names(kiln)
    assert "A12" in lines
    assert "A13" not in lines
    assert not {"SYNC", "IRQ", "NMI", "BE"} & set(lines)
    assert kiln.clip_address.max() == 0x1FFD
    released = np.flatnonzero(kiln.res == 1)[0]
    assert 6 <= np.flatnonzero(kiln.cpu_address == 0x1FFC)[0] - released <= 8


def test_the_stack_of_the_kiln_lies_in_the_mirror_of_its_ram(kiln):
    pushed = (kiln.cpu_rw == 0) & (kiln.cpu_address >> 8 == 1)
    assert pushed.any()
    pulled = (kiln.cpu_rw == 1) & (kiln.cpu_address >> 8 == 1) & (kiln.res == 1)
    assert kiln.drives("U3_RAM")[pulled].all()


def test_the_kiln_waits_for_its_timer(kiln):
    """Started at 24 steps of 8 cycles, the flag comes after 193 (6532 sheet, from memory)."""
    set_at = np.flatnonzero((kiln.cpu_rw == 0) & (kiln.cpu_address == 0x0415))
    asked = (kiln.cpu_rw == 1) & (kiln.cpu_address == 0x0405)
    set_flags = np.flatnonzero(asked & (kiln.cpu_data >> 7 == 1))
    for start, seen in zip(set_at, set_flags, strict=False):
        assert seen - start >= 193
        before = np.flatnonzero(asked[start:seen]) + start
        assert (before - start < 193).all()
    assert len(set_flags) >= 3


def test_a_declared_gap_runs_on(name):
    """What was pulled is not there, and no fault either."""
    ref = {"departure_board": "U6", "kiln_control": "U4"}[name]
    run = simulate(the_board(name, without=[ref]), cycles=600, seed=4)
    assert not run.drives(ref).any()
    assert run.faults == ()


def test_samples_of_a_shared_bus_show_whose_cycle_it_is(departures):
    few = replace(departures.board, name="copy")
    assert few.holds[1].line == "BE"
    capture = sample(departures, rate=24_000_000, seed=4, lines=("PHI2", "BE", "RDY"))
    falls = np.flatnonzero(np.diff(capture.levels("BE").astype(int)) == -1)
    assert len(falls) == len(np.flatnonzero(np.diff(departures.be.astype(int)) == -1))
