"""The ladder: each rung ok, bad, not seen or not captured, and never ok without evidence."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import BUSES, FIXTURES, TRIAGE, boot, tide_gauge

from bustrace.board import load_board
from bustrace.capture import open_capture
from bustrace.capture.model import Capture
from bustrace.findings import observe
from bustrace.reading import Reading, read_boot

RUNGS = (
    "clock", "reset released", "vector read", "first instruction", "ROM runs", "stack", "RAM",
    "selects", "interrupts", "main loop",
)  # fmt: skip


def climbed(reading: Reading) -> dict[str, str]:
    rungs = observe(reading).ladder
    assert tuple(rung.name for rung in rungs) == RUNGS
    assert all(rung.text.strip() for rung in rungs)
    return {rung.name: rung.status for rung in rungs}


def constant(level: int, lines: tuple[str, ...] = (*BUSES, "RES", "IRQ")) -> Capture:
    """Every line flat for a millisecond."""
    return Capture(
        mode="timing",
        time_ps=np.zeros(1, np.int64),
        state=np.full(1, (1 << len(lines)) - 1 if level else 0, np.uint64),
        known=None,
        lines=lines,
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=10**9,
    )


@pytest.mark.slow
def test_a_healthy_boot_climbs_up_to_the_interrupts():
    rungs = climbed(boot(cycles=7000))
    assert {name for name, status in rungs.items() if status == "ok"} >= set(RUNGS[:9])
    assert "bad" not in rungs.values()
    assert "not captured" not in rungs.values()


def test_eight_lines_tell_what_they_can():
    """Clock, reset and first fetch; what needs the buses is not captured, never ok."""
    rungs = climbed(boot(lines=TRIAGE, cycles=3000))
    assert rungs["clock"] == rungs["reset released"] == rungs["first instruction"] == "ok"
    for name in ("vector read", "ROM runs", "stack", "RAM"):
        assert rungs[name] == "not captured", name
    assert rungs["selects"] == "not seen"
    assert "bad" not in rungs.values()


def test_without_the_clock_all_but_the_clock_is_judged():
    rungs = climbed(boot(cycles=1500, without=["PHI2"]))
    assert rungs["clock"] == "not captured"
    assert rungs["first instruction"] == rungs["ROM runs"] == "ok"


def test_without_the_clock_and_the_bus_nothing_is_judged():
    rungs = climbed(boot(cycles=1500, lines=("RES", "IRQ", *(f"D{bit}" for bit in range(8)))))
    assert set(rungs.values()) <= {"not captured", "not seen"}


def test_without_res_its_rung_is_not_captured():
    """The vector fetch is found all the same."""
    rungs = climbed(boot(cycles=1500, without=["RES"]))
    assert rungs["reset released"] == "not captured"
    assert rungs["vector read"] == "ok"


def test_without_selects_and_interrupts_their_rungs_are_not_captured():
    rungs = climbed(boot(cycles=1500, lines=(*BUSES, "RES")))
    assert rungs["selects"] == rungs["interrupts"] == "not captured"
    assert rungs["ROM runs"] == rungs["RAM"] == rungs["stack"] == "ok"


def test_an_empty_capture_shows_nothing():
    capture = Capture(
        mode="timing",
        time_ps=np.empty(0, np.int64),
        state=np.empty(0, np.uint64),
        known=None,
        lines=(*BUSES, "RES"),
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=0,
    )
    rungs = climbed(read_boot(capture, tide_gauge()))
    assert set(rungs.values()) <= {"not captured", "not seen"}
    assert rungs["clock"] == "not seen"


@pytest.mark.parametrize("level", [0, 1])
def test_everything_flat_is_a_dead_clock(level):
    """The one thing that shows is that the clock does not run."""
    rungs = climbed(read_boot(constant(level), tide_gauge()))
    assert rungs["clock"] == "bad"
    assert "ok" not in rungs.values()


@pytest.mark.parametrize(
    ("fault", "rung"),
    [
        ("clock:stops", "clock"),
        ("reset:held", "reset released"),
        ("silent:U5", "vector read"),
        ("content:U5", "ROM runs"),
        ("plane:U4.3", "RAM"),
        ("stuck:CS_U5=1@decoder", "selects"),
        ("held:IRQ=0", "interrupts"),
    ],
)
def test_a_fault_breaks_its_rung(fault, rung):
    assert climbed(boot(fault, cycles=1500))[rung] == "bad"


def test_a_stack_that_gives_back_other_bytes_is_bad():
    """Two bytes and more come back wrong."""
    assert climbed(boot("silent:U4", cycles=1500))["stack"] == "bad"


def test_the_derail_is_the_first_byte_that_differs():
    """The cycle is the simulation's first wrong read, with what was seen and expected."""
    reading = boot("stuck:D3=0@read", cycles=1500)
    derail = observe(reading).derail
    assert derail is not None
    board = tide_gauge()
    image = board.image_bytes("U5")
    address, data = reading.cycles.address, reading.cycles.data
    start = int(np.flatnonzero(address == 0xFFFC)[0])
    wrong = [
        k
        for k in range(start, len(data))
        if image[address[k]] >= 0 and image[address[k]] != data[k]
    ]
    assert derail.cycle == wrong[0]
    assert derail.seen == f"${data[wrong[0]]:02X}"
    assert derail.expected == f"${image[address[wrong[0]]]:02X}"
    assert derail.consequences > 0
    assert derail.time_ps == reading.cycles.time_ps[derail.cycle]


def test_a_healthy_boot_does_not_derail():
    assert observe(boot(cycles=2500)).derail is None


def test_what_comes_after_the_derail_is_marked():
    """Consequences are told apart from the cause."""
    seen = observe(boot("stuck:D3=0@read", cycles=1500))
    assert seen.derail is not None
    for finding in seen.findings:
        if finding.cycles:
            assert finding.after_derail == (finding.cycles[0] > seen.derail.cycle)
    assert any(f.after_derail for f in seen.findings)


def test_what_was_not_exercised_is_said():
    """Chips never read, lines not clipped, levels never needed, no interrupt taken."""
    told = " | ".join(observe(boot(cycles=1500, without=["IRQ", "D3"])).not_exercised)
    assert "IRQ" in told
    assert "D3" in told
    assert "never read: U6" in told
    assert "no interrupt was taken" in told


@pytest.mark.slow
def test_a_bank_is_named_whole_and_a_port_that_is_only_written_is_not_missed():
    """U20-U27 share one select line; U7 is a latch that no read can reach."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    capture = open_capture(FIXTURES / "departure_board_healthy" / "capture.vcd")
    seen = observe(read_boot(capture, board))
    (selects,) = [rung.text for rung in seen.ladder if rung.name == "selects"]
    assert "U20-U27" in selects
    assert not any("never read" in text for text in seen.not_exercised)
