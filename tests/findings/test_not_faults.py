"""What healthy boards, healthy programs and ordinary clips do, and no rule may call a fault."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from drill_readings import BUSES, boot, made_up, only, read, redrawn, reread, rules, run, tide_gauge

from bustrace.board import Board
from bustrace.board.model import NormalHold
from bustrace.findings import find_all, gather, observe
from bustrace.reading import Reading, read_boot


def blamed(reading: Reading) -> set[str]:
    """Rules that found a fault or an oddity."""
    return rules(find_all(reading), "fault", "oddity")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_boot_into_the_main_loop(seed):
    """RAM of any content, interrupts, everything the demo firmware does."""
    assert blamed(boot(cycles=7500, seed=seed)) == set()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_a_healthy_made_up_board(seed, tmp_path):
    assert blamed(boot(board=made_up(tmp_path, seed), cycles=4000, seed=seed)) == set()


def test_sizing_ram_at_empty_addresses():
    """Writes and reads back where no chip is: a note tells of it, no more."""
    reading = boot(cycles=1500)
    finding = only(find_all(reading), "reads-nowhere")
    assert finding.severity == "note"
    empty = reading.cycles.address[list(finding.cycles)]
    assert ((empty >= 0x2000) & (empty < 0x4000)).any()
    assert blamed(reading) == set()


@pytest.mark.parametrize("undriven", ["keeps", "high"])
def test_an_undriven_bus_that_keeps_its_byte_or_drifts_high(undriven):
    assert blamed(boot(cycles=2500, undriven=undriven)) == set()


def test_reading_ram_that_was_never_written():
    """Random at power-on: what it gives first is what it holds."""
    reading = boot(cycles=1500)
    replay = gather(reading).replay
    address = replay.address
    first = {int(a): k for k, a in reversed(list(enumerate(address.tolist())))}
    never_written = [
        k for a, k in first.items() if 0 <= a < 0x800 and replay.read[k] == 1 and a >= 0x400
    ]
    assert never_written
    assert blamed(reading) == set()


@pytest.mark.slow
def test_polling_a_register(tmp_path):
    """The same I/O address read again and again, with bytes that nobody foresees."""
    for seed in range(12):
        folder = tmp_path / str(seed)
        folder.mkdir()
        board = made_up(folder, seed)
        reading = boot(board=board, cycles=5000, seed=seed)
        (io,) = [chip.ref for chip in board.mapped if chip.role == "io"]
        reads = reading.cycles.address[
            gather(reading).replay.healthy.drivers == 1 << board.map.index(io)
        ]
        if len(reads) and np.bincount(reads).max() > 20:
            assert blamed(reading) == set()
            return
    pytest.fail("no made-up board polls: look for other seeds")


def test_a_press_of_the_reset_button():
    """RES low once in mid-run: a note, and the last start is judged."""
    reading = boot(cycles=3000, reset_low=((0, 12), (1500, 1520)))
    assert blamed(reading) == set()
    assert "reset-again" in rules(find_all(reading), "note")
    reset = observe(reading).ladder[1]
    assert (reset.status, "1,519" in reset.text) == ("ok", True)


def test_a_button_that_bounces():
    """A few cycles high between lows are one press."""
    low = ((0, 12), (1500, 1520), (1522, 1530), (1533, 1540), (1541, 1560))
    assert blamed(boot(cycles=3000, reset_low=low)) == set()


def test_reset_chatter_on_a_slow_edge():
    """Several rises within some cycles before RES stays high."""
    reading = boot(cycles=1500, reset_low=((0, 12), (13, 14), (16, 18), (19, 20)), chatter=3)
    assert blamed(reading) == set()
    assert "reset-chatter" in rules(find_all(reading), "note")


@pytest.mark.parametrize("lead", [15.0, 120.0, 900.0])
def test_a_clock_that_comes_late(lead):
    """The recording starts before the oscillator does."""
    assert blamed(boot(cycles=1500, lead_cycles=lead)) == set()


def test_a_recording_that_starts_in_the_midst():
    """No reset in view is no fault of the reset."""
    reading = boot(cycles=3000, start_cycle=1000)
    assert blamed(reading) == set()
    assert observe(reading).ladder[2].status == "not seen"


def test_one_wrong_sample_in_a_hundred_thousand_on_the_buses():
    """Spikes on address and data lines are notes or oddities, whatever they hit."""
    for seed in range(3):
        reading = boot(cycles=3000, seed=seed, noise=1e-5, lines=(*BUSES, "SYNC", "RES"))
        assert rules(find_all(reading), "fault") == set()


def test_irq_low_for_long_while_the_program_masks_it():
    """A source requests, and the program keeps interrupts masked: it may take its time."""
    reading = boot(cycles=2500)
    assert blamed(reread(reading, "IRQ", 0, range(900, 2480))) == set()


def test_irq_low_at_power_up_then_released():
    """Chips may request before their first reset; what counts is that it ends."""
    reading = boot(cycles=2500)
    assert blamed(reread(reading, "IRQ", 0, range(400))) == set()


def holding(cycles: int | None) -> Board:
    hold = NormalHold("RDY", 0, "video takes the bus", cycles)
    return replace(tide_gauge(), holds=(hold,))


def waiting(board: Board) -> Reading:
    """RDY low to the end of the capture, from early on: the CPU repeats one read."""
    return read(run("held:RDY=0", cycles=600), board=board)


def test_a_stall_that_the_board_file_calls_normal():
    """With the hold declared nothing is said; without it, or longer than it, RDY is held."""
    assert "rdy-held" in blamed(waiting(tide_gauge()))
    assert "rdy-held" not in blamed(waiting(holding(None)))
    assert "rdy-held" not in blamed(waiting(holding(1000)))
    assert "rdy-held" in blamed(waiting(holding(40)))


def test_short_waits_need_no_declaration():
    """RDY low for a while and high again is what RDY is for."""
    reading = boot(cycles=1500)
    assert "rdy-held" not in blamed(reread(reading, "RDY", 0, range(600, 640)))


def test_a_long_wait_that_ends():
    """As long as RDY rises again, somebody needed the time."""
    waits = waiting(tide_gauge())
    cycles = range(len(waits.cycles) - 40, len(waits.cycles))
    assert "rdy-held" not in blamed(reread(waits, "RDY", 1, cycles))


def test_stray_samples_in_a_few_of_many_reads():
    """Four wrong bits at four places of a table, none of them acted upon: too few for a bad ROM."""
    reading = boot(cycles=5000)
    evidence = gather(reading)
    rom = evidence.replay.healthy.drivers == 1 << evidence.replay.chips.index("U5")
    rom &= (reading.cycles.address >= 0xF000) & (reading.cycles.address < 0xFFFA)
    dummy = np.flatnonzero(rom & ~evidence.program_byte & evidence.live)
    places, first = np.unique(reading.cycles.address[dummy], return_index=True)
    assert len(places) >= 4
    hit = reread(reading, "D0", None, sorted(dummy[first[:4]].tolist()))
    finding = only(find_all(hit), "stray-read")
    assert (finding.severity, finding.count) == ("oddity", 4)
    assert rules(find_all(hit), "fault") == set()


def test_irq_declared_low_for_good():
    """A board may tie what it does not use."""
    hold = NormalHold("IRQ", 0, "tied on this board")
    board = replace(tide_gauge(), holds=(hold,))
    record = run("held:IRQ=0", cycles=1500)
    assert "irq-held" in blamed(read(record))
    assert "irq-held" not in blamed(read(record, board=board))


def test_a_clock_a_little_off():
    """A resonator may be some per cent off (common practice)."""
    assert blamed(boot(cycles=1500, clock_hz=Fraction(1_020_000), rate=100_000_000)) == set()


@pytest.mark.parametrize("rate", [16_000_000, 24_000_000, 100_000_000])
def test_any_common_sample_rate(rate):
    assert blamed(boot(cycles=1500, rate=rate)) == set()


def test_an_unknown_board():
    """Without a board file nothing is expected of its chips."""
    reading = boot(cycles=1500)
    assert blamed(read_boot(reading.capture)) == set()


def test_a_spike_on_the_clips_of_a_control_line():
    """One sample of RES low is no reset."""
    reading = boot(cycles=1500)
    fall = int(reading.cycles.time_ps[700])
    spiked = redrawn(reading.capture, "RES", [(fall - 84_000, fall - 42_000)], 0)
    assert rules(find_all(read_boot(spiked, reading.board)), "fault") == set()
