"""Serial port, screen timing, and what goes wrong inside I/O chips; registers from memory of the
makers' 6522, 6532, 6545 and 6551 sheets."""

import numpy as np
import pytest

from bustrace.board import load_board
from bustrace.drill import Planting, make_io_board, simulate, variants_of
from bustrace.drill.chips import Inside, Registers
from bustrace.drill.io_chips import io_chip
from bustrace.drill.ports import PortInterval, PortTimer
from bustrace.drill.screen_chip import ScreenTiming
from bustrace.drill.serial_chip import SerialPort
from bustrace.faults import Fault


@pytest.fixture
def serial():
    port = SerialPort(np.array([0x41, 0x42], np.uint8), 100)
    port.write(port.COMMAND, 0x09, 0)
    return port


@pytest.fixture
def screen():
    """16 characters, 10 rows of 4 lines, 8 of them shown: 640 cycles, blanked from 512 on."""
    chip = ScreenTiming()
    for register, value in ((0, 15), (4, 9), (5, 0), (6, 8), (9, 3)):
        chip.write(0, register, 0)
        chip.write(1, value, 0)
    return chip


def test_the_transmitter_is_full_while_a_character_goes_out(serial):
    assert serial.read(serial.STATUS, 1) & serial.EMPTY
    serial.write(serial.DATA, 0x55, 2)
    busy = [k for k in range(3, 600) if not serial.read(serial.STATUS, k) & serial.EMPTY]
    assert busy == list(range(3, 2 + serial.CHARACTER))


def test_a_character_that_comes_in_asks_once_and_waits_to_be_read(serial):
    assert not serial.requests(99)
    assert serial.requests(100)
    assert serial.read(serial.STATUS, 101) & (serial.ASKED | serial.FULL) == 0x88
    assert not serial.requests(102)
    assert serial.read(serial.STATUS, 103) & serial.FULL
    assert serial.read(serial.DATA, 104) == 0x42
    assert not serial.read(serial.STATUS, 105) & serial.FULL
    serial.read(serial.STATUS, 250)
    assert serial.read(serial.STATUS, 350) & serial.OVERRUN


def test_command_bits_keep_receiver_and_transmitter_from_asking(serial):
    serial.write(serial.COMMAND, 0x0B, 50)
    assert not serial.requests(150)
    serial.write(serial.COMMAND, 0x07, 160)
    serial.write(serial.DATA, 0x55, 160)
    assert serial.requests(160 + serial.CHARACTER)
    serial.reset()
    assert not serial.requests(900)


def test_the_screen_is_blanked_below_its_last_row(screen):
    blanked = [k for k in range(640 * 2) if screen.read(0, k) & screen.BLANKED]
    assert blanked == [*range(512, 640), *range(512 + 640, 1280)]


def test_few_registers_of_the_screen_can_be_read(screen):
    for register, back in ((15, 0x33), (1, 0)):
        screen.write(0, register, 0)
        screen.write(1, 0x33, 0)
        assert screen.read(1, 1) == back


# ---- a 6522's second timer and shift register


@pytest.fixture
def ports():
    """Port B's input 0 is high in every cycle."""
    return PortTimer(np.full((2, 2), 0x01, np.uint8))


def give(chip, cycle, **registers):
    for name, byte in registers.items():
        chip.write(getattr(chip, name), byte, cycle)


def flags(chip, cycles):
    return [k for k in cycles if chip.read(chip.IFR, k) & 0x7F]


def test_timer_2_asks_once_and_counts_on(ports):
    give(ports, 0, IER=0xA0, T2C_L=40, T2C_H=0)
    assert ports.read(ports.T2C_L, 11) == 30
    assert [k for k in range(12, 100) if ports.requests(k)] == list(range(42, 100))
    assert ports.read(ports.IFR, 100) == 0xA0
    assert ports.read(ports.T2C_H, 100) == 0xFF  # below zero
    ports.read(ports.T2C_L, 101)
    assert not any(ports.requests(k) for k in range(102, 70_000, 7))
    give(ports, 70_000, T2C_H=0)
    assert flags(ports, range(70_001, 70_060))[0] == 70_042


def test_timer_2_that_counts_pulses_waits_for_them(ports):
    give(ports, 0, ACR=0x20, T2C_L=5, T2C_H=0)
    assert flags(ports, range(1, 500)) == []
    assert ports.read(ports.T2C_L, 501) == 5


def test_eight_bits_go_out_in_sixteen_cycles_and_are_still_there(ports):
    give(ports, 0, IER=0x84, ACR=0x18, SHIFT=0xA5)
    assert flags(ports, range(1, 30)) == list(range(16, 30))
    assert ports.requests(30)
    assert ports.read(ports.SHIFT, 31) == 0xA5  # the read drops the flag, and eight more go out
    assert flags(ports, range(32, 60)) == list(range(47, 60))


def test_eight_bits_come_in_at_the_rate_of_timer_2(ports):
    give(ports, 0, ACR=0x04, T2C_L=3, SHIFT=0x00)
    assert flags(ports, range(1, 100)) == list(range(80, 100))
    assert ports.read(ports.SHIFT, 100) == 0xFF


def test_what_is_clocked_from_outside_or_off_does_not_shift(ports):
    for mode in (0x0C, 0x1C, 0x00):
        give(ports, 0, ACR=mode, SHIFT=0x42)
        assert flags(ports, range(1, 300)) == []
        assert ports.read(ports.SHIFT, 300) == 0x42


def test_a_written_flag_is_dropped_and_the_others_stay(ports):
    give(ports, 0, ACR=0x18, SHIFT=1, T2C_L=5, T2C_H=0, T1C_L=5, T1C_H=0)
    assert ports.read(ports.IFR, 50) == 0x64
    give(ports, 51, IFR=0x20)
    assert ports.read(ports.IFR, 52) == 0x44
    ports.reset()
    assert ports.read(ports.IFR, 53) == 0


def test_timers_that_do_not_count_stop_the_shifting_that_they_clock(ports):
    ports.suffer(Inside(ailment="timer"))
    give(ports, 0, ACR=0x04, T2C_L=3, T2C_H=0, SHIFT=0x00)
    assert flags(ports, range(1, 300)) == []
    assert ports.read(ports.T2C_L, 300) == 3
    give(ports, 301, ACR=0x08, SHIFT=0x00)
    assert flags(ports, range(302, 330))[0] == 317


# ---- ailments


def started(kind):
    """A chip that has been told to do everything, and the reads that show whether it does."""
    if kind is PortTimer:
        chip = kind(np.zeros((2, 2), np.uint8))
        for register, byte in ((chip.ACR, 0x40), (chip.IER, 0xC0), (chip.T1C_L, 50)):
            chip.write(register, byte, 0)
        chip.write(chip.T1C_H, 0, 0)
        return chip, chip.IFR, chip.T1C_L
    if kind is PortInterval:
        chip = kind(np.zeros((2, 2), np.uint8))
        chip.write(0x1C, 50, 0)
        return chip, chip.FLAG, 0x0C
    chip = kind(np.zeros(2, np.uint8), 60)
    chip.write(chip.COMMAND, 0x09, 0)
    return chip, chip.STATUS, chip.DATA


@pytest.mark.parametrize("kind", [PortTimer, PortInterval, SerialPort])
def test_a_request_that_never_comes_or_never_goes(kind):
    for ailment, level in (("quiet", False), ("asking", True)):
        chip, _, _ = started(kind)
        chip.suffer(Inside(ailment=ailment))
        assert all(chip.requests(k) is level for k in range(1, 400))
        chip.suffer(Inside())
        assert chip.requests(401)


@pytest.mark.parametrize("kind", [PortTimer, PortInterval])
def test_a_timer_that_does_not_count(kind):
    sound, flag, _ = started(kind)
    assert sound.read(flag, 300)
    chip, flag, count = started(kind)
    chip.suffer(Inside(ailment="timer"))
    assert not any(chip.requests(k) or chip.read(flag, k) & 0x7F for k in range(1, 400))
    assert len({chip.read(count, k) for k in range(1, 400)}) == 1


@pytest.mark.parametrize("kind", [PortTimer, PortInterval])
def test_a_status_bit_that_never_changes_leaves_the_request(kind):
    chip, flag, _ = started(kind)
    chip.suffer(Inside(ailment="status"))
    assert {chip.read(flag, k) for k in range(1, 300)} == {0}
    assert chip.requests(301)


def test_status_of_the_others_never_changes(serial, screen):
    serial.suffer(Inside(ailment="status"))
    assert not serial.read(serial.STATUS, 5) & serial.EMPTY
    screen.suffer(Inside(ailment="status"))
    assert not any(screen.read(0, k) for k in range(640))


@pytest.mark.parametrize(
    "part_size", [("6522", 16), ("6532", 32), ("6551", 4), ("6545", 2), ("x", 4)]
)
def test_a_deaf_chip_takes_nothing(part_size):
    kind = io_chip(*part_size)
    assert "deaf" in kind.AILMENTS
    chip = {
        PortTimer: lambda: PortTimer(np.zeros((1, 2), np.uint8)),
        PortInterval: lambda: PortInterval(np.zeros((1, 2), np.uint8)),
        SerialPort: lambda: SerialPort(np.zeros(1, np.uint8)),
        ScreenTiming: ScreenTiming,
        Registers: lambda: Registers(4),
    }[kind]()
    before = [chip.read(k, 1) for k in range(chip.size)]
    chip.suffer(Inside(ailment="deaf"))
    for register in range(chip.size):
        chip.write(register, 0x0F, 2)
    # Free-running counters aside.
    same = [chip.read(k, 1) == before[k] for k in range(chip.size)]
    assert all(same)


def test_which_register_faults_a_board_has(tmp_path, tide_gauge):
    ways = variants_of(tide_gauge, Fault.parse("register:U6"))
    assert ways == ("deaf", "timer", "status", "quiet", "asking")
    assert variants_of(tide_gauge, Fault.parse("register:U7")) == ("deaf",)
    made = make_io_board(np.random.default_rng(1))
    (tmp_path / "rom.bin").write_bytes(made.rom)
    (tmp_path / "board.toml").write_text(made.toml)
    board = load_board(tmp_path / "board.toml")
    refs = {chip.part: chip.ref for chip in board.mapped}
    # Its interval timer is not among those that can ask.
    assert variants_of(board, Fault.parse(f"register:{refs['6532']}")) == (
        "deaf",
        "timer",
        "status",
    )


@pytest.mark.parametrize("variant", ["timer", "quiet", "asking"])
def test_firmware_meets_a_sick_timer(tide_gauge, variant):
    """Interrupts of the demo firmware come from its timer alone."""
    run = simulate(
        tide_gauge, cycles=9000, seed=5, faults=[Planting(Fault.parse("register:U6"), variant)]
    )
    if variant == "asking":
        assert not run.irq.any()
    else:
        assert run.irq.all()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_firmware_hangs_on_a_status_that_never_changes(tmp_path, seed):
    made = make_io_board(np.random.default_rng(seed))
    (tmp_path / "rom.bin").write_bytes(made.rom)
    (tmp_path / "board.toml").write_text(made.toml)
    board = load_board(tmp_path / "board.toml")

    def loops(*faults):
        run = simulate(board, cycles=6000, seed=seed, faults=faults)
        return int(((run.cpu_address == made.main_loop) & (run.sync == 1)).sum())

    assert loops() >= 3
    for chip in board.mapped[2:]:
        if chip.part != "6522":
            sick = Planting(Fault("register", chip=chip.ref), "status")
            assert loops(sick) == 0, chip.part
