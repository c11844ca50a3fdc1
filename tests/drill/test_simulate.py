"""What the simulated bus does, healthy and with each fault planted."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bustrace.cpu import CpuState, replay
from bustrace.drill import CPU_DRIVES, BusRecord, Join, simulate

CYCLES = 3000
SEED = 5
MAIN = 0xE01A
"""Address of the demo firmware's main loop, from the assembler's listing."""


@pytest.fixture(scope="module")
def healthy(tide_gauge):
    return simulate(tide_gauge, cycles=CYCLES, seed=SEED)


@pytest.fixture
def planted(tide_gauge) -> Callable[..., BusRecord]:
    def run(*faults, cycles=CYCLES, **options):
        return simulate(tide_gauge, cycles=cycles, seed=SEED, faults=faults, **options)

    return run


def same(one, other, *columns):
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in columns)


def bit(values, place):
    return (values >> place) & 1


def test_layers_of_a_healthy_board_agree(healthy):
    """Everyone sees the address the CPU meant and the byte that was on the bus."""
    assert np.array_equal(healthy.clip_address, healthy.cpu_address)
    assert np.array_equal(healthy.decoder_address, healthy.cpu_address)
    assert (healthy.chip_address == healthy.cpu_address[:, None]).all()
    assert np.array_equal(healthy.clip_data, healthy.cpu_data)
    assert np.array_equal(healthy.bus_data, healthy.cpu_data)
    assert np.array_equal(healthy.rw, healthy.cpu_rw)


@pytest.mark.slow
def test_healthy_run_is_what_the_executor_does_with_the_same_reads(tide_gauge):
    """A replay of the captured reads from the reset on predicts every address, write and SYNC."""
    run = simulate(tide_gauge, cycles=9000, seed=SEED)
    state = CpuState.at_reset("6502")
    trace = replay(
        state,
        run.cpu_data,
        res=run.res,
        irq=run.irq,
        nmi=run.nmi,
        rdy=run.rdy,
        address=run.cpu_address,
        data=run.cpu_data,
        rw=run.cpu_rw,
        sync=run.sync,
    )
    assert trace.first_mismatch is None
    assert len(trace) == 9000
    assert (trace.address_known == 0xFFFF).mean() > 0.99


def test_healthy_run_obeys_the_board(healthy, tide_gauge):
    """ROM reads give the image, RAM gives back what it took, nobody drives empty addresses."""
    image = tide_gauge.image_bytes("U5")
    reads_rom = healthy.drives("U5")
    assert np.array_equal(healthy.cpu_data[reads_rom], image[healthy.cpu_address[reads_rom]])
    ram: dict[int, int] = {}
    checked = 0
    for address, byte, rw, who in zip(
        healthy.cpu_address.tolist(),
        healthy.cpu_data.tolist(),
        healthy.cpu_rw.tolist(),
        healthy.drivers.tolist(),
        strict=True,
    ):
        if address < 0x2000:
            if rw:
                assert who == 1
                checked += 1
            assert not rw or ram.setdefault(address & 0x7FF, byte) == byte
            ram[address & 0x7FF] = byte
    assert checked > 100
    empty = (healthy.cpu_address >= 0x2000) & (healthy.cpu_address < 0x8000) & (healthy.rw == 1)
    assert empty.any()
    assert (healthy.drivers[empty] == 0).all()


def test_undriven_reads_keep_the_last_byte_or_are_pulled_up(healthy, planted):
    nobody = np.flatnonzero(healthy.drivers == 0)
    nobody = nobody[nobody > 0]
    assert np.array_equal(healthy.cpu_data[nobody], healthy.bus_data[nobody - 1])
    pulled_up = planted(undriven="high")
    assert (pulled_up.cpu_data[pulled_up.drivers == 0] == 0xFF).all()


def test_demo_firmware_reaches_its_main_loop_and_serves_interrupts(tide_gauge):
    """Main loop within 6,000 cycles of reset; the handler runs once each 391 cycles."""
    run = simulate(tide_gauge, cycles=9000, seed=SEED)
    fetches = run.cpu_address[run.sync == 1]
    assert MAIN in fetches
    entered = np.flatnonzero((run.cpu_address == MAIN) & (run.sync == 1))[0]
    assert 5000 < entered < 6000
    asked = np.flatnonzero(np.diff(run.irq.astype(int)) == -1)
    # The timer counts N + 2 cycles (makers' 6522 sheets, from memory).
    assert set(np.diff(asked).tolist()) == {391}
    vectors = np.flatnonzero((run.cpu_address == 0xFFFE) & (run.cpu_rw == 1))
    assert len(vectors) == len(asked)


def test_demo_firmware_probes_empty_addresses_and_reads_ram_it_never_wrote(tide_gauge):
    run = simulate(tide_gauge, cycles=6500, seed=SEED)
    probed = run.cpu_address[(run.cpu_address >= 0x2000) & (run.cpu_address < 0x4000)]
    assert len(np.unique(probed)) == 8
    first_read = np.flatnonzero((run.cpu_address == 0x0600) & (run.cpu_rw == 1))[0]
    assert not ((run.cpu_address[:first_read] == 0x0600) & (run.cpu_rw[:first_read] == 0)).any()


def test_rom_sum_in_the_firmware_is_right(tide_gauge):
    """The byte behind the table page is the page's sum, each carry added to the next byte."""
    rom = tide_gauge.chip("U5").images[0].content
    total = carry = 0
    for byte in rom[0x1000:0x1100].tolist():
        carry, total = divmod(total + byte + carry, 256)
    assert total == rom[0x1100]


def test_same_seed_same_run_other_seed_other_ram(tide_gauge, healthy):
    again = simulate(tide_gauge, cycles=CYCLES, seed=SEED)
    other = simulate(tide_gauge, cycles=CYCLES, seed=SEED + 1)
    assert same(healthy, again, "cpu_address", "cpu_data", "drivers", "irq", "selects")
    assert not same(healthy, other, "cpu_data")


# ---- lines


def test_address_line_stuck_on_the_bus_is_seen_by_all(planted, healthy):
    run = planted("stuck:A10=1@bus")
    assert bit(run.clip_address, 10).all()
    assert bit(run.decoder_address, 10).all()
    assert bit(run.chip_address, 10).all()
    assert not bit(run.cpu_address, 10).all()
    assert run.clip_levels["A10"] == 1


def test_address_line_stuck_behind_leaves_the_clip_right(planted):
    run = planted("stuck:A6=0@behind")
    assert np.array_equal(run.clip_address, run.cpu_address)
    assert bit(run.cpu_address, 6).any()
    assert not bit(run.decoder_address, 6).any()
    assert not bit(run.chip_address, 6).any()
    assert "A6" not in run.clip_levels


def test_address_line_stuck_at_the_decoder_leaves_the_chips_right(planted):
    run = planted("stuck:A13=0@decoder")
    assert np.array_equal(run.clip_address, run.cpu_address)
    assert (run.chip_address == run.cpu_address[:, None]).all()
    assert not bit(run.decoder_address, 13).any()
    assert not run.selected("U5").any()


def test_address_line_stuck_at_one_chip_touches_that_chip_only(planted):
    run = planted("stuck:A1=0@U4")
    ram = run.board.map.index("U4")
    assert not bit(run.chip_address[:, ram], 1).any()
    others = np.delete(run.chip_address, ram, axis=1)
    assert (others == run.cpu_address[:, None]).all()
    assert np.array_equal(run.clip_address, run.cpu_address)


@pytest.mark.slow
def test_probe_fault_changes_only_what_the_probe_sees(planted, healthy):
    for fault in ("stuck:A3=1@clip", "clip:A3", "clip:D5", "clip:SYNC", "clip:CS_ROM"):
        run = planted(fault)
        assert same(run, healthy, "cpu_address", "cpu_data", "chip_address", "drivers", "selects")
        assert run.clip_levels
    assert bit(planted("stuck:A3=1@clip").clip_address, 3).all()


def test_open_pin_floats_high(planted):
    """An open TTL or NMOS input acts as high (Fairchild AN-363)."""
    run = planted("open:A7@U5")
    rom = run.board.map.index("U5")
    assert bit(run.chip_address[:, rom], 7).all()
    assert np.array_equal(run.clip_address, run.cpu_address)


def test_data_line_stuck_in_the_read_path_leaves_writes_alone(planted):
    run = planted("stuck:D3=1@read")
    reads = run.cpu_rw == 1
    assert bit(run.clip_data[reads], 3).all()
    assert bit(run.cpu_data[reads], 3).all()
    assert not bit(run.clip_data[~reads], 3).all()
    assert not bit(run.bus_data[reads], 3).all()


def test_data_line_stuck_in_the_write_path_leaves_reads_alone(planted):
    run = planted("stuck:D3=1@write")
    writes = run.cpu_rw == 0
    assert bit(run.bus_data[writes], 3).all()
    assert np.array_equal(run.clip_data[writes], run.cpu_data[writes])
    assert not bit(run.clip_data[~writes], 3).all()


def test_data_line_stuck_on_the_bus_never_moves(planted):
    run = planted("stuck:D0=0@bus")
    assert not bit(run.clip_data, 0).any()
    assert not bit(run.bus_data, 0).any()
    assert run.clip_levels["D0"] == 0


def test_data_pin_of_one_chip_stuck_shows_only_in_its_reads(planted):
    run = planted("stuck:D6=1@U4")
    assert bit(run.clip_data[run.drives("U4")], 6).all()
    assert not bit(run.clip_data[run.drives("U5")], 6).all()


def test_open_data_pin_keeps_the_last_level_in_that_chips_reads(planted):
    run = planted("open:D2@U5")
    k = np.flatnonzero(run.drives("U5"))
    k = k[k > 0]
    assert np.array_equal(bit(run.bus_data[k], 2), bit(run.bus_data[k - 1], 2))


def test_short_makes_low_win(planted):
    """Joined TTL or NMOS outputs: the lower level wins (wired AND)."""
    run = planted("short:D2+D4@bus")
    assert np.array_equal(bit(run.clip_data, 2), bit(run.clip_data, 4))
    image = run.board.image_bytes("U5")
    rom = run.drives("U5")
    stored = image[run.cpu_address[rom]]
    assert np.array_equal(bit(run.clip_data[rom], 2), bit(stored, 2) & bit(stored, 4))
    assert run.clip_joins == (Join(("D2", "D4"), "low"),)
    behind = planted("short:A3+A4@behind")
    assert np.array_equal(bit(behind.decoder_address, 3), bit(behind.decoder_address, 4))
    assert np.array_equal(behind.clip_address, behind.cpu_address)


def test_read_write_line_stuck(planted, healthy):
    never_written = planted("stuck:RW=1@bus")
    assert (never_written.rw == 1).all()
    assert not (never_written.cpu_rw == 1).all()
    clash = (never_written.drivers & CPU_DRIVES != 0) & never_written.drives("U4")
    assert clash.any()
    # Two drivers: low wins, so the CPU's own bytes only lose ones.
    assert (never_written.clip_data[clash] & ~never_written.cpu_data[clash] == 0).all()
    assert (never_written.clip_data[clash] != never_written.cpu_data[clash]).any()
    at_chip = planted("stuck:RW=0@U4")
    assert np.array_equal(at_chip.rw, at_chip.cpu_rw)
    assert not at_chip.drives("U4").any()


def test_select_line_stuck_or_open(planted):
    off = planted("stuck:CS_ROM=1@bus")
    assert not off.selected("U5").any()
    assert not off.drives("U5").any()
    assert off.clip_levels["CS_U5"] == 1
    on = planted("stuck:CS_ROM=0@bus")
    assert on.selected("U5").all()
    assert on.drives("U5")[on.cpu_rw == 1].all()
    at_pin = planted("open:CS_ROM@U5")
    assert at_pin.selected("U5").any()
    assert not at_pin.drives("U5").any()


# ---- chips


def test_silent_chip_is_selected_and_never_drives(planted):
    run = planted("silent:U5")
    assert run.selected("U5").any()
    assert not run.drives("U5").any()


def test_chip_that_always_drives_takes_part_in_every_read(planted):
    run = planted("always:U6")
    assert run.drives("U6")[run.cpu_rw == 1].all()
    assert not run.drives("U6")[run.cpu_rw == 0].any()
    assert not run.selected("U6").all()


def test_doubled_chips_drive_together_and_low_wins(planted, healthy):
    run = planted("doubled:U5+U4")
    rom = run.drives("U5")
    assert np.array_equal(run.drives("U4")[rom], np.ones(rom.sum(), bool))
    image = run.board.image_bytes("U5")[run.cpu_address[rom]]
    assert (run.clip_data[rom] & ~image == 0).all()
    assert (run.clip_data[rom] != image).any()


def test_swapped_chips_answer_in_each_others_place(planted):
    run = planted("swapped:U4+U5")
    content = run.board.chip("U5").images[0].content
    low = run.drives("U4")
    assert low.any()
    assert np.array_equal(run.clip_data[low], content[run.cpu_address[low] & 0x7FF])


def test_rotten_rom_content_only_gains_ones(planted):
    run = planted("content:U5", cycles=1500)
    rom = run.drives("U5")
    image = run.board.image_bytes("U5")[run.cpu_address[rom]]
    assert (run.clip_data[rom] & image == image).all()
    assert (run.clip_data[rom] != image).any()


def test_bad_cell_reads_its_level_and_nothing_else_changes(planted):
    run = planted("cell:U4.01FF.3=1")
    here = run.drives("U4") & (run.cpu_address & 0x7FF == 0x1FF)
    assert here.any()
    assert bit(run.clip_data[here], 3).all()


def test_bad_plane_never_moves_in_that_chips_reads(planted):
    run = planted("plane:U5.1")
    levels = bit(run.clip_data[run.drives("U5")], 1)
    assert len(np.unique(levels)) == 1
    assert len(np.unique(bit(run.clip_data[run.drives("U4")], 1))) == 2


def test_empty_socket_leaves_its_select_line_working(tide_gauge):
    """A chip left out is not faulty: its select goes on, nobody answers."""
    chips = tuple(
        replace(chip, fitted=False) if chip.ref == "U4" else chip for chip in tide_gauge.chips
    )
    run = simulate(replace(tide_gauge, chips=chips), cycles=500, seed=SEED)
    assert run.selected("U4").any()
    assert not run.drives("U4").any()


# ---- clock, reset, held lines


def test_clock_faults_end_the_run(planted):
    stops = planted("clock:stops", stop_after=700)
    assert len(stops) == 700
    assert stops.clock_ends
    assert stops.rest_cycles == CYCLES - 700
    absent = planted("clock:absent")
    assert len(absent) == 0
    assert absent.rest_cycles == CYCLES


def test_reset_faults(planted):
    held = planted("reset:held")
    assert (held.res == 0).all()
    assert (held.cpu_rw == 1).all()
    assert 0xFFFC not in held.cpu_address
    repeats = planted("reset:repeats", repeat_every=800)
    falls = np.flatnonzero(np.diff(repeats.res.astype(int)) == -1) + 1
    assert falls.tolist() == [800, 1600, 2400]
    assert (repeats.cpu_address == 0xFFFC).sum() == 4


def test_reset_vector_comes_seven_cycles_after_release(healthy):
    """Six to eight cycles from the release to $FFFC (makers' sheets: 7, W65C02S 3.11)."""
    released = np.flatnonzero(healthy.res == 1)[0]
    vector = np.flatnonzero(healthy.cpu_address == 0xFFFC)[0]
    assert 6 <= vector - released <= 8
    assert (healthy.cpu_rw[: vector + 2] == 1).all()


def test_held_interrupt_line_storms_once_interrupts_are_let_in(tide_gauge):
    run = simulate(tide_gauge, cycles=7500, seed=SEED, faults=["held:IRQ=0"])
    assert (run.irq == 0).all()
    taken = np.flatnonzero((run.cpu_address == 0xFFFE) & (run.cpu_rw == 1))
    assert taken[0] > 5000
    assert len(taken) > 10
    assert (np.diff(taken) < 120).all()


def test_held_ready_stops_the_cpu_at_its_next_read(planted):
    run = planted("held:RDY=0")
    assert (run.rdy == 0).all()
    assert len(np.unique(run.cpu_address[100:])) == 1


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("retention:U5", "not a ram"),
        ("register:U4", "not a io or logic"),
        ("cpu:U4", "the CPU of"),
        ("shared:rail", "share on this board is"),
        ("silent:U9", "U9"),
        ("silent:U1", "address map"),
        ("content:U4", "not a rom"),
        ("swapped:U4+U6", "U6 is not"),
        ("short:A1+D1@U4", "lines of two groups"),
        ("short:RW+SYNC@bus", "lines of two groups"),
        ("short:IRQ+NMI@bus", "of the address or data bus"),
        ("short:D1+D2@clip", "place bus"),
        ("stuck:A1=0@read", "no place"),
        ("stuck:D1=0@decoder", "no place"),
        ("stuck:IRQ=0@bus", "held:"),
        ("stuck:BLINK=0@bus", "no line BLINK"),
        ("clip:BLINK", "no line BLINK"),
        ("open:A1@bus", "far side"),
        ("held:SYNC=0", "held lines are"),
        ("cell:U4.0800.1=1", "no byte"),
        ("gone:U4", "unknown fault family"),
    ],
)
def test_what_is_not_simulated_is_refused_by_name(planted, fault, says):
    with pytest.raises(ValueError, match=says):
        planted(fault, cycles=10)


def test_rom_without_image_is_refused(tide_gauge):
    chips = tuple(
        replace(chip, images=()) if chip.ref == "U5" else chip for chip in tide_gauge.chips
    )
    with pytest.raises(ValueError, match="U5 has no image"):
        simulate(replace(tide_gauge, chips=chips), cycles=10)
