"""Interrupts that a chip must ask for by its sheet, and that nobody sees.

The worked examples are from memory of the makers' sheets: R6522 (N + 2 cycles from the write of the
high byte, IER, what takes the flag away) and R6532 (A3 lets the timer ask).
"""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import members, only, read, rules, run
from hypothesis import given, settings
from hypothesis import strategies as st
from programmed_boards import BOARD, VIA, programmed

from bustrace.diagnosis import diagnose
from bustrace.drill import Planting
from bustrace.drill.ports import PortInterval, PortTimer
from bustrace.faults import Fault
from bustrace.findings import find_all
from bustrace.findings.io_chips import (
    READ,
    RESET,
    SLACK,
    WRITE,
    Event,
    asking_spans,
    expected_reads,
    sheet_of,
)

T1C_L, T1C_H, ACR, IFR, IER = 4, 5, 0xB, 0xD, 0xE
END = 1000


def spans(part, size, *events):
    return asking_spans(sheet_of(part, size), [Event(0, RESET), *events], END)


def started(*more, enable=0xC0):
    """A 6522 whose timer 1 is given 100 in cycle 12: its flag comes in cycle 114."""
    return spans(
        "6522",
        16,
        Event(10, WRITE, IER, enable, 0xFF),
        Event(11, WRITE, T1C_L, 100, 0xFF),
        Event(12, WRITE, T1C_H, 0, 0xFF),
        *more,
    )


def test_a_timer_that_may_ask_asks_once_it_has_run_out():
    assert started() == [(114 + SLACK + 1, END)]


@pytest.mark.parametrize("enable", [0x80, 0xA0, 0x40])
def test_a_timer_that_may_not_ask_does_not(enable):
    """No bit, timer 2's bit, a bit that is cleared."""
    assert started(enable=enable) == []


def test_the_read_of_the_counter_takes_the_request_away():
    assert started(Event(200, READ, T1C_L)) == [(117, 200)]


def test_another_access_leaves_one_request():
    assert started(Event(200, READ, 0), Event(300, READ, 0)) == [(117, END)]


def test_a_free_running_timer_asks_again():
    found = started(Event(13, WRITE, ACR, 0x40, 0xFF), Event(150, READ, T1C_L))
    assert found == [(117, 150), (114 + 102 + SLACK + 1, END)]


def test_a_flag_that_is_taken_away_just_when_it_comes_is_open():
    """The read came first, or the flag did: neither the flag nor the request is decided."""
    events = [
        Event(0, RESET),
        Event(11, WRITE, T1C_L, 100, 0xFF),
        Event(12, WRITE, T1C_H, 0, 0xFF),
        Event(114, READ, T1C_L),
        Event(300, READ, IFR),
    ]
    _, known = expected_reads(sheet_of("6522", 16), "", events)[-1]
    assert not known & 0x40
    assert started(Event(114, READ, T1C_L), Event(300, READ, 0)) == []


def test_reset_ends_a_request():
    assert started(Event(200, RESET)) == [(117, 200)]


@pytest.mark.parametrize(("start", "asked"), [(0x1C, True), (0x14, False)])
def test_a_6532_asks_where_a3_was_high(start, asked):
    """20 steps of one cycle from cycle 10."""
    found = spans("6532", 32, Event(10, WRITE, start, 20, 0xFF), Event(100, READ, 0x0C))
    assert found == ([(31 + SLACK + 1, 100)] if asked else [])


@pytest.mark.slow
@pytest.mark.parametrize(("part", "make"), [("6522", PortTimer), ("6532", PortInterval)])
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_the_simulated_chip_asks_whenever_its_sheet_says_so(part, make, seed):
    rng = np.random.default_rng(seed)
    chip = make(np.zeros((1, 2), dtype=np.uint8))
    chip.reset()
    events, asks, cycle = [Event(0, RESET)], [], 0
    for _ in range(60):
        until = cycle + int(rng.choice([1, 2, 4, 7, 30, 200]))
        asks += [chip.requests(at) for at in range(cycle, until)]
        cycle = until
        offset = int(rng.integers(chip.size))
        byte = int(rng.choice([0, 1, 0x20, 0x40, 0x60, 0x7F, 0xC0, 0xE0, 0xFF]))
        if rng.random() < 0.5:
            events.append(Event(cycle, READ, offset))
            chip.read(offset, cycle)
        else:
            events.append(Event(cycle, WRITE, offset, byte, 0xFF))
            chip.write(offset, byte, cycle)
    found = asking_spans(sheet_of(part, chip.size), events, cycle)
    assert all(all(asks[first:end]) for first, end in found)


# ---- on a board


def lets_the_timer_ask(code):
    """Timer 1 free running at 300 cycles, then a loop that counts."""
    for register, byte in ((ACR, 0x40), (T1C_L, 300 & 0xFF), (T1C_H, 1), (IER, 0xC0)):
        code.op("LDA", "imm", byte)
        code.op("STA", "abs", VIA + register)
    code.op("CLI")
    code.label("again")
    code.op("INC", "zp", 0x20)
    code.op("JMP", "jump", "again")


def takes_it(code):
    code.op("BIT", "abs", VIA + T1C_L)


QUIET = Planting(Fault.parse("register:U6"), "quiet")
LINE = Planting(Fault.parse("held:IRQ=1"))


def seen(folder, planting, board=BOARD, **options):
    made = programmed(folder, lets_the_timer_ask, takes_it, board)
    faults = (planting,) if planting else ()
    return read(run(*faults, board=made, cycles=2500), **options)


@pytest.mark.parametrize("planting", [QUIET, LINE], ids=str)
@pytest.mark.parametrize("without", [(), ("IRQ",)], ids=["IRQ clipped", "IRQ not clipped"])
def test_a_request_that_nobody_sees_is_a_fault_of_the_chip_or_the_line(tmp_path, planting, without):
    reading = seen(tmp_path, planting, without=without)
    finding = only(find_all(reading), "interrupt-unheard")
    assert (finding.severity, finding.lines, finding.chips) == ("fault", ("IRQ",), ("U6",))
    assert ("takes none" if without else "IRQ stays high") in finding.text
    assert 1500 < finding.count <= finding.opportunities
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "fault"
    # Nothing is read of it, so it is rather dead or not selected.
    dead, ill = diagnosis.suspects
    assert "silent:U6" in members(dead)
    assert set(members(ill)) == {"register:U6", "held:IRQ=1"}
    assert ill.check.startswith("Scope IRQ (U1 pin 4, U6 pin 21)")
    assert "U6" in ill.tell_apart


@pytest.mark.parametrize("without", [(), ("IRQ",)], ids=["IRQ clipped", "IRQ not clipped"])
def test_a_request_that_is_taken_is_no_fault(tmp_path, without):
    reading = seen(tmp_path, None, without=without)
    assert "interrupt-unheard" not in rules(find_all(reading))
    assert not diagnose(reading).suspects


def test_a_chip_that_may_not_be_wired_to_irq_is_an_oddity(tmp_path, monkeypatch):
    """The board file does not say who pulls IRQ."""
    untold = BOARD.replace('[irq]\nfrom = ["U6"]\n', "")
    reading = seen(tmp_path, QUIET, untold)
    finding = only(find_all(reading), "interrupt-unheard")
    assert finding.severity == "oddity"
    assert "does not say" in finding.text
    # That no read shows whether it answers makes it no suspect either.
    monkeypatch.setattr("bustrace.diagnosis.unheard_chips.shown_to_answer", lambda *given: False)
    diagnosis = diagnose(reading)
    assert (diagnosis.exit_code, diagnosis.suspects) == (0, ())


def test_a_chip_that_is_wired_to_nmi_is_not_judged_by_irq(tmp_path):
    other = BOARD.replace('[irq]\nfrom = ["U6"]', '[nmi]\nfrom = ["U6"]')
    assert "interrupt-unheard" not in rules(find_all(seen(tmp_path, QUIET, other)))


def asks_and_fetches(code):
    """A 6551 that may ask for each character; the program looks at its status, then fetches it."""
    code.op("LDA", "imm", 0x09)
    code.op("STA", "abs", VIA + 2)
    code.label("again")
    code.op("LDA", "abs", VIA + 1)
    code.op("LDA", "abs", VIA)
    code.op("JMP", "jump", "again")


def test_a_chip_that_says_that_it_asks_must_pull_irq(tmp_path):
    """Bit 7 of a 6551's status: characters come at any time, but it tells."""
    serial = BOARD.replace('"6522"', '"6551"').replace("size = 16", "size = 4")
    board = programmed(tmp_path, asks_and_fetches, None, serial)
    quiet = read(run(QUIET, board=board, cycles=5000))
    finding = only(find_all(quiet), "interrupt-unheard")
    assert (finding.severity, finding.chips) == ("fault", ("U6",))
    assert "bit 7 of its status says" in finding.text
    assert 3 <= finding.count < 10
    assert "register:U6" in members(diagnose(quiet).suspects[0])
    assert "interrupt-unheard" not in rules(find_all(read(run(board=board, cycles=5000))))


def test_a_bus_that_nobody_drives_says_nothing(tmp_path):
    """A mute 6551's status reads as the byte before it does: its bit 7 is no request."""
    serial = BOARD.replace('"6522"', '"6551"').replace("size = 16", "size = 4")
    board = programmed(tmp_path, asks_and_fetches, None, serial)
    silent = read(run("silent:U6", board=board, cycles=5000))
    assert "interrupt-unheard" not in rules(find_all(silent))


def test_irq_that_reads_high_while_interrupts_are_taken_is_a_clip(tmp_path):
    reading = seen(tmp_path, Planting(Fault.parse("clip:IRQ"), "high"))
    finding = only(find_all(reading), "clip-off")
    assert finding.lines == ("IRQ",)
    assert "reads high" in finding.text
    assert [str(s.fault) for s in diagnose(reading).suspects] == ["clip:IRQ"]
