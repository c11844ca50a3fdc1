"""What I/O chips must give by their makers' sheets: worked examples, and the simulated chips.

The examples are from memory of the makers' sheets: R6522, R6532, R6551, R6545.
"""

import numpy as np
import pytest
from drill_readings import boot, members, only, read, rules
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.board import load_board
from bustrace.diagnosis import diagnose
from bustrace.drill import Planting, make_io_board, simulate
from bustrace.drill.chips import Inside
from bustrace.drill.ports import PortInterval, PortTimer
from bustrace.drill.screen_chip import ScreenTiming
from bustrace.drill.serial_chip import SerialPort
from bustrace.faults import Fault
from bustrace.findings import HIGH_WINS, Assumption, find_all, gather
from bustrace.findings.io_chips import (
    FORGET,
    LOSE_COUNT,
    READ,
    RESET,
    WAYS,
    WRITE,
    Event,
    expected_reads,
    kept_bytes,
    register_name,
    sheet_of,
    ways_of,
)

IRB, IRA, DDRB, DDRA, T1C_L, T1C_H, T1L_L, T1L_H, T2C_L, T2C_H, SR, ACR, PCR, IFR, IER = range(15)


class Bench:
    """A chip by its sheet, asked one access after another."""

    def __init__(self, part: str, size: int, way: str = "", reset: bool = True) -> None:
        self.make, self.way = sheet_of(part, size), way
        self.events = [Event(0, RESET)] if reset else []

    def write(self, cycle: int, offset: int, byte: int, known: int = 0xFF) -> None:
        self.events.append(Event(cycle, WRITE, offset, byte, known))

    def happens(self, cycle: int, what: int) -> None:
        self.events.append(Event(cycle, what))

    def read(self, cycle: int, offset: int) -> str:
        """The byte, - where the sheet does not decide."""
        self.events.append(Event(cycle, READ, offset))
        byte, known = expected_reads(self.make, self.way, self.events)[-1]
        return "".join(str(byte >> b & 1) if known >> b & 1 else "-" for b in range(7, -1, -1))


@pytest.fixture
def via() -> Bench:
    return Bench("R6522AP", 16)


# ---- 6522


def test_after_reset_registers_read_0_and_timers_are_open(via):
    read = {name: via.read(5, name) for name in (DDRA, DDRB, ACR, PCR)}
    assert set(read.values()) == {"00000000"}
    assert via.read(6, IER) == "-0000000"  # bit 7: 1 by most sheets, 0 by an early one
    assert via.read(7, IFR) == "0-------"
    assert {via.read(8, name) for name in (T1C_L, T1L_L, T2C_H, SR, IRA, IRB)} == {"--------"}


def test_before_reset_and_before_it_was_written_nothing_is_known():
    via = Bench("65C22", 16, reset=False)
    assert via.read(5, DDRA) == "--------"
    via.write(6, DDRA, 0xF0)
    assert via.read(7, DDRA) == "11110000"
    via.happens(8, FORGET)
    assert via.read(9, DDRA) == "--------"


def test_port_b_gives_its_latch_and_port_a_its_pins(via):
    """A load can pull an output of port A down, and it reads low then; port B's reads high."""
    for register, byte in ((DDRA, 0x0F), (DDRB, 0x0F), (IRA, 0x35), (IRB, 0x35)):
        via.write(10, register, byte)
    assert via.read(11, IRB) == "----0101"
    assert via.read(12, IRA) == "----0-0-"
    via.write(13, ACR, 0x81)  # timer 1 has PB7, port A is latched by CA1
    via.write(14, DDRB, 0xFF)
    assert via.read(15, IRB) == "-0110101"
    assert via.read(16, IRA) == "--------"


def test_enable_bits_are_set_and_cleared_by_bit_7(via):
    via.write(10, IER, 0xE0)
    via.write(11, IER, 0x20)
    assert via.read(12, IER) == "-1000000"
    via.write(13, IER, 0x81, known=0xFE)
    assert via.read(14, IER) == "-100000-"


def test_timer_1_sets_its_flag_one_and_a_half_cycles_after_n(via):
    """R6522: T1 times out N + 1.5 cycles after T1C-H is written."""
    via.write(10, IER, 0xC0)
    via.write(11, T1C_L, 100)
    via.write(100, T1C_H, 0)
    seen = {cycle: via.read(cycle, IFR) for cycle in (101, 198, 202, 206)}
    assert seen == {101: "00------", 198: "00------", 202: "--------", 206: "11------"}
    via.read(207, T1C_L)
    assert via.read(208, IFR) == "00------"
    assert via.read(9_000, IFR) == "00------"  # one shot


def test_timer_1_counts_down_from_n_and_reads_its_latch_elsewhere(via):
    via.write(10, T1L_L, 0x34)
    via.write(100, T1C_H, 0x12)
    assert [via.read(101, T1L_L), via.read(102, T1L_H)] == ["00110100", "00010010"]
    assert via.read(103, T1C_H) == "00010010"
    # $1234 - 9, plus or minus two: $1229 to $122D
    assert via.read(110, T1C_L) == "00101---"


def test_a_free_running_timer_1_comes_again_each_n_plus_2_cycles(via):
    via.write(10, ACR, 0x40)
    via.write(11, T1C_L, 98)
    via.write(100, T1C_H, 0)
    for start in (200, 300, 700, 5000):
        assert via.read(start - 5, IFR)[1] in "0-1"
        via.read(start + 10, T1C_L)
        assert via.read(start + 11, IFR)[1] == "0"
        assert via.read(start + 96, IFR)[1] == "0"
        assert via.read(start + 105, IFR)[1] == "1"


def test_timer_2_counts_pulses_where_nobody_knows_how_many(via):
    via.write(10, T2C_L, 20)
    via.write(11, T2C_H, 0)
    assert via.read(40, IFR) == "0-1-----"
    via.write(41, IFR, 0x20)
    assert via.read(42, IFR) == "0-0-----"
    via.write(43, ACR, 0x20)
    via.write(44, T2C_H, 0)
    assert via.read(200, IFR) == "0-------"


def test_where_cycles_were_missed_a_timer_is_open_and_its_latch_is_not(via):
    via.write(11, T1C_L, 0x64)
    via.write(100, T1C_H, 0)
    via.happens(150, LOSE_COUNT)
    assert via.read(160, IFR) == "0-------"
    assert via.read(161, T1C_L) == "--------"
    assert via.read(900, T1L_L) == "01100100"


# ---- 6532, 6551, 6545


@pytest.mark.parametrize(("register", "step"), [(0x14, 1), (0x15, 8), (0x16, 64), (0x17, 1024)])
def test_the_interval_timer_sets_its_flag_after_n_steps(register, step):
    """R6532: N steps of 1, 8, 64 or 1024 cycles."""
    riot = Bench("6532", 32)
    riot.write(100, register, 20)
    assert riot.read(101, 5) == "0-------"
    assert riot.read(100 + 20 * step - step - 5, 5) == "0-------"
    assert riot.read(100 + 21 * step + 5, 5) == "1-------"
    riot.read(101 + 21 * step + 5, 4)
    assert riot.read(102 + 21 * step + 5, 5) == "--------"


def test_the_interval_timer_counts_steps():
    riot = Bench("6532", 32)
    riot.write(100, 0x16, 0x94)
    assert riot.read(100 + 64 * 4 + 30, 4) == "100-----"  # $8F, or two off


def test_the_interval_chips_directions_and_outputs_read_back():
    riot = Bench("6532", 32)
    assert riot.read(5, 1) == "00000000"
    for register, byte in ((1, 0xF0), (3, 0xF0), (0, 0x9A), (2, 0x9A)):
        riot.write(6, register, byte)
    assert [riot.read(7, 3), riot.read(8, 2), riot.read(9, 0)] == [
        "11110000", "1001----", "-00-----",
    ]  # fmt: skip


def test_command_and_control_of_the_serial_chip_read_back():
    acia = Bench("6551", 4)
    assert [acia.read(1, 1), acia.read(2, 2), acia.read(3, 3)] == [
        "---1----", "000000-0", "00000000",
    ]  # fmt: skip
    acia.write(4, 2, 0xCB)
    acia.write(5, 3, 0x1E)
    assert [acia.read(6, 2), acia.read(7, 3)] == ["11001011", "00011110"]
    acia.write(8, 1, 0x55)  # a programmed reset
    assert [acia.read(9, 2), acia.read(10, 3)] == ["110000-0", "00011110"]
    acia.write(11, 0, 0x41)
    assert acia.read(12, 1) == "--------"


def test_of_the_screen_chip_the_cursor_reads_back():
    crtc = Bench("MC6845P", 2)
    for cycle, chosen in enumerate((14, 15, 1)):
        crtc.write(cycle, 0, chosen)
        crtc.write(cycle, 1, 0xFF)
    assert crtc.read(5, 1) == "--------"
    crtc.write(6, 0, 15)
    assert crtc.read(7, 1) == "11111111"
    crtc.write(8, 0, 14)
    assert crtc.read(9, 1) == "--111111"


def test_only_parts_of_the_right_size_have_a_sheet():
    assert sheet_of("6522", 32) is None
    assert sheet_of("custom", 16) is None
    assert ways_of("6521", 4) == ()
    assert register_name("SY6522", 16, 13) == "register 13 (IFR)"
    assert register_name("custom", 16, 13) == "register 13"


# ---- against the simulated chips, which know nothing of these

SIMULATED = {
    "6522": (16, lambda pins: PortTimer(pins)),
    "6532": (32, lambda pins: PortInterval(pins)),
    "6551": (4, lambda pins: SerialPort(pins[:, 0])),
    "6545": (2, lambda pins: ScreenTiming()),
}
BYTES = (0x00, 0x01, 0x03, 0x0F, 0x14, 0x40, 0x60, 0x80, 0xC0, 0xE0, 0xFF)


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("part", SIMULATED)
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_bit_that_a_sheet_decides_is_otherwise_in_the_simulated_chip(part, way, seed):
    rng = np.random.default_rng(seed)
    size, make = SIMULATED[part]
    chip = make(rng.integers(256, size=(64, 2), dtype=np.uint8))
    if way not in chip.AILMENTS and way:
        return
    chip.suffer(Inside(ailment=way))
    chip.reset()
    events, given, cycle = [Event(0, RESET)], [], 1
    for _ in range(120):
        cycle += int(rng.choice([1, 2, 4, 7, 30, 300, 2000]))
        offset, byte = int(rng.integers(size)), int(rng.choice(BYTES))
        if rng.random() < 0.02:
            chip.reset()
            events.append(Event(cycle, RESET))
        elif rng.random() < 0.5:
            events.append(Event(cycle, READ, offset))
            given.append(chip.read(offset, cycle))
        else:
            events.append(Event(cycle, WRITE, offset, byte, 0xFF))
            chip.write(offset, byte, cycle)
    told = expected_reads(sheet_of(part, size), way, events)
    wrong = [
        (event, hex(byte), hex(given_byte))
        for event, (byte, known), given_byte in zip(
            [e for e in events if e.what == READ], told, given, strict=True
        )
        if (byte ^ given_byte) & known
    ]
    assert wrong == []
    assert any(known for _, known in told) or part == "6545"


@pytest.mark.parametrize("part", SIMULATED)
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_registers_that_keep_what_they_are_given_show_it_to_whoever_looks(part, seed):
    rng = np.random.default_rng(seed)
    size, make = SIMULATED[part]
    chip = make(rng.integers(256, size=(64, 2), dtype=np.uint8))
    chip.reset()
    events = [Event(0, RESET)]
    for cycle in range(1, 60):
        offset, byte = int(rng.integers(size)), int(rng.choice(BYTES))
        if rng.random() < 0.05:
            chip.reset()
            events.append(Event(cycle, RESET))
        else:
            events.append(Event(cycle, WRITE, offset, byte, 0xFF))
            chip.write(offset, byte, cycle)
        rows = kept_bytes(sheet_of(part, size), events)
        shown = {register: (byte, known) for _, register, byte, known in rows}
        for register, (byte, known) in shown.items():
            assert (chip.read(register, cycle) ^ byte) & known == 0
    assert rows == sorted(rows, key=lambda row: row[0])
    assert any(known for *_, known in rows) or part == "6545"


def test_what_may_have_been_a_write_makes_kept_registers_unknown():
    events = [Event(0, RESET), Event(3, WRITE, DDRA, 0x0F, 0xFF), Event(7, FORGET)]
    rows = kept_bytes(sheet_of("6522", 16), events)
    assert [row[2:] for row in rows if row[1] == DDRA] == [(0, 0xFF), (0x0F, 0xFF), (0, 0)]
    assert {row[0] for row in rows if row[2:] == (0, 0)} == {7}


# ---- on a board


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["always:U6", "doubled:U5+U6"])
def test_a_port_that_drives_unasked_shows_what_was_written(fault):
    """Its direction registers hold zeros from RES on, and then what the program gave them: what
    reads show of them beside the ROM is no news.
    """
    planted = Planting(Fault.parse(fault), "high")
    replay = gather(boot(planted, cycles=1500)).replay
    port = replay.chips.index("U6")
    rom = replay.chips.index("U5")
    does = {"always": 1 << port} if fault == "always:U6" else {"doubled": rom, "doubled_by": port}
    answers = replay.replay(Assumption(fight=HIGH_WINS, **does))
    beside = np.flatnonzero(answers.drivers == (1 << port | 1 << rom))
    at_ddr = beside[np.isin(replay.address[beside] & 15, (DDRA, DDRB))]
    assert len(at_ddr) > 4
    assert (answers.expected_known[at_ddr] == 255).all()
    assert (answers.expected[at_ddr] == replay.data[at_ddr]).all()
    assert answers.cost[at_ddr].sum() == 0


STATUS = 0x8400
"""Where the screen chip of the board below takes a register's number, and gives its status."""


def io_board(folder, seed):
    made = make_io_board(np.random.default_rng(seed))
    (folder / "board.toml").write_text(made.toml, encoding="utf-8", newline="\n")
    (folder / "rom.bin").write_bytes(made.rom)
    return load_board(folder / "board.toml")


@pytest.fixture(scope="module")
def no_flag(tmp_path_factory):
    """A made-up board with a 6532, U9, whose flag never comes."""
    board = io_board(tmp_path_factory.mktemp("board"), (2, 9))
    planted = Planting(Fault.parse("register:U9"), "status")
    return read(simulate(board, faults=(planted,), cycles=5000, seed=5))


@pytest.mark.slow
def test_a_status_that_happens_to_be_the_byte_written_there_speaks_for_no_fault(no_flag):
    """The screen chip takes a register's number where it gives its status: with a line stuck in
    writes the two can be equal, and a write would seem to be read back.
    """
    replay = gather(no_flag).replay
    there, takes = replay.address == STATUS, replay.read == 0
    gives = replay.healthy.drivers == 1 << replay.chips.index("U8")
    gave = int(np.flatnonzero(there & gives)[0])
    took = int(np.flatnonzero((there & takes)[:gave])[-1])
    byte = int(replay.data[gave])
    assert replay.data[took] == 0 != byte
    stuck = replay.replay(Assumption(write_or=byte))
    assert stuck.cost[gave] == replay.healthy.cost[gave] > 0


@pytest.mark.slow
def test_a_register_that_is_not_as_its_sheet_says_is_told(no_flag):
    finding = only(find_all(no_flag), "io-content")
    assert finding.severity == "fault"
    told = "U9 (6532) does not do what its sheet says: register 5 (interrupt flag) gave $00"
    assert finding.text.startswith(told)
    assert 100 < finding.count <= finding.opportunities


@pytest.mark.slow
def test_a_chip_that_is_ill_inside_is_among_the_suspects(no_flag):
    diagnosis = diagnose(no_flag)
    assert diagnosis.verdict == "fault"
    assert "register:U9" in {name for s in diagnosis.suspects for name in members(s)}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_good_io_chips_do_as_their_sheets_say(seed, tmp_path):
    board = io_board(tmp_path, seed)
    reading = read(simulate(board, cycles=4000, seed=seed))
    assert gather(reading).replay.io_sheets
    assert "io-content" not in rules(find_all(reading))
