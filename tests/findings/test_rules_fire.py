"""Every rule on a boot in which it must speak: lines, chips, cycles, how often, how badly."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from drill_readings import (
    BUSES,
    REPOSITORY,
    boot,
    made_up,
    only,
    redrawn,
    reread,
    rules,
    run,
    tide_gauge,
)
from drill_readings import read as read_record

from bustrace.board import unknown_board
from bustrace.capture.model import Capture
from bustrace.drill import Planting, line_names, sample
from bustrace.faults import Fault
from bustrace.findings import Finding, find_all, gather
from bustrace.reading import Reading, read_boot


class Case(NamedTuple):
    rule: str
    severity: str
    fault: str
    lines: tuple[str, ...] = ()
    chips: tuple[str, ...] = ()
    cycles: int = 1500
    seed: int = 5


PLANTED = (
    Case("clock-absent", "fault", "clock:absent", ("PHI2",)),
    Case("clock-stops", "fault", "clock:stops", ("PHI2",)),
    Case("reset-held", "fault", "reset:held", ("RES",)),
    Case("reset-repeats", "fault", "reset:repeats", ("RES",), cycles=6000),
    Case("vector-undriven", "fault", "silent:U5", (), ("U5",)),
    Case("vector-content", "fault", "stuck:D2=1@behind", (), ("U5",)),
    Case("irq-held", "fault", "held:IRQ=0", ("IRQ",), ("U6",)),
    Case("nmi-held", "fault", "held:NMI=0", ("NMI",)),
    Case("irq-storm", "fault", "silent:U6", ("IRQ",), ("U6",), cycles=7000),
    Case("rdy-held", "fault", "held:RDY=0", ("RDY",)),
    Case("cpu-jam", "fault", "stuck:A3=0@bus", (), ("U1",)),
    Case("line-stuck", "fault", "stuck:A9=1@bus", ("A9",)),
    Case("line-stuck", "fault", "stuck:RW=1@bus", ("RW",)),
    Case("line-stuck", "fault", "stuck:D3=0@read", ("D3",)),
    Case("lines-together", "fault", "short:D1+D4@bus", ("D1", "D4")),
    Case("lines-together", "fault", "short:A3+A4@bus", ("A3", "A4")),
    Case("lines-together", "fault", "short:A5+IRQ@bus", ("A5", "IRQ")),
    Case("lines-together", "fault", "short:A9+D4@bus", ("A9", "D4")),
    Case("select-missing", "fault", "stuck:CS_U5=1@decoder", ("select:U5",), ("U5",)),
    Case("select-doubled", "fault", "doubled:U5+U4", ("select:U4",), ("U4", "U5")),
    Case("select-always", "fault", "stuck:CS_U4=0@decoder", ("select:U4",), ("U4", "U5")),
    Case("rom-content", "fault", "content:U5", (), ("U5",)),
    Case("ram-content", "fault", "plane:U4.3", (), ("U4",)),
    Case("memory-unanswered", "fault", "silent:U4", (), ("U4",)),
    Case("runs-nowhere", "fault", "silent:U5"),
    Case("runs-empty", "fault", "open:D4@read"),
    Case("write-fought", "fault", "open:RW@U6", (), ("U6",), cycles=7000),
    Case("clip-off", "oddity", "clip:A3", ("A3",)),
    Case("clip-off", "oddity", "clip:RW", ("RW",)),
    Case("clip-off", "oddity", "clip:PHI2", ("PHI2",)),
    Case("line-still", "note", "held:NMI=0", ("IRQ", "RDY")),
    Case("reads-nowhere", "note", "stuck:A14=1@U4"),
)


def is_sound(finding: Finding, reading: Reading) -> None:
    """What holds for every finding: counts, cycles, words."""
    n = len(reading.cycles)
    assert 0 < finding.count <= finding.opportunities
    assert len(finding.cycles) <= 32
    assert list(finding.cycles) == sorted(set(finding.cycles))
    assert all(0 <= cycle < max(n, 1) for cycle in finding.cycles)
    assert finding.text.strip()
    assert finding.measured
    assert finding.expected


@pytest.mark.slow
@pytest.mark.parametrize("case", PLANTED, ids=lambda case: f"{case.rule} {case.fault}")
def test_a_rule_speaks_of_the_lines_and_chips_of_its_fault(case):
    reading = boot(case.fault, cycles=case.cycles, seed=case.seed)
    found = find_all(reading)
    mine = [
        f
        for f in found
        if f.rule == case.rule
        and set(case.lines) <= set(f.lines)
        and set(case.chips) <= set(f.chips)
    ]
    assert len(mine) == 1, [(f.rule, f.lines, f.chips) for f in found]
    assert mine[0].severity == case.severity
    if case.lines and case.rule != "line-still":
        assert mine[0].lines == case.lines
    for finding in found:
        is_sound(finding, reading)


def test_faults_come_first_then_oddities_then_notes():
    """The order in which a reader wants them."""
    order = {"fault": 0, "oddity": 1, "note": 2}
    found = [order[f.severity] for f in find_all(boot("stuck:RW=1@bus", cycles=1500))]
    assert len(set(found)) == 3
    assert found == sorted(found)


# ---- measured numbers, against what the simulation knows


@pytest.mark.slow
def test_a_stuck_line_is_counted_in_cycles_that_want_the_other_level():
    """The cycles are the simulated CPU's own: it meant A9 low in each of them."""
    record = run("stuck:A9=1@bus", cycles=1500)
    finding = only(find_all(boot("stuck:A9=1@bus", cycles=1500)), "line-stuck")
    wanted = np.flatnonzero(record.cpu_address >> 9 & 1 == 0)
    assert 200 < finding.count <= len(wanted)
    assert finding.count == finding.opportunities
    assert set(finding.cycles) <= set((wanted - 1).tolist())


@pytest.mark.slow
def test_a_line_stuck_in_writes_is_told_where_their_addresses_are_not_known():
    """The stack pointer of a program that was never right, without the lowest address lines."""
    ill = Planting(Fault.parse("always:U4"), "high"), "stuck:D3=1@bus"
    found = find_all(boot(*ill, seed=1, without=("A0", "A1", "A2")))
    assert only([f for f in found if f.lines == ("D3",)], "line-stuck").count > 10


@pytest.mark.slow
def test_a_silent_ram_is_counted_in_reads_of_written_cells():
    """Each read that repeats the byte before, and the places it was read at."""
    finding = only(find_all(boot("silent:U4", cycles=1500)), "memory-unanswered")
    record = run("silent:U4", cycles=1500)
    reads = set((np.flatnonzero((record.cpu_address < 0x2000) & (record.cpu_rw == 1)) - 1).tolist())
    assert set(finding.cycles) <= reads
    assert finding.count == finding.opportunities


def test_the_jam_is_where_the_simulated_cpu_jammed():
    """The cycle of the fetch, after which the address stays."""
    reading = boot("stuck:A3=0@bus", cycles=1500)
    finding = only(find_all(reading), "cpu-jam")
    record = run("stuck:A3=0@bus", cycles=1500)
    (cycle,) = finding.cycles
    assert record.sync[cycle + 1] == 1
    assert not record.sync[cycle + 2 :].any()


def test_the_clock_stops_where_it_stopped():
    """The span and the level of the rest are measured."""
    record = run("clock:stops", cycles=1500, stop_after=700)
    finding = only(find_all(read_record(record)), "clock-stops")
    assert "700" in finding.text or "699" in finding.text
    assert ("low", "high")[record.rest_level] in finding.text
    assert finding.opportunities == pytest.approx(800, abs=2)


# ---- the clock


def slowed(reading: Reading, factor: int) -> Reading:
    """The capture with all times longer."""
    capture = reading.capture
    return read_boot(
        Capture(
            mode="timing",
            time_ps=capture.time_ps * factor,
            state=capture.state.copy(),
            known=None,
            lines=capture.lines,
            rate=None if capture.rate is None else capture.rate / factor,
            gaps=capture.gaps.copy(),
            end_ps=capture.end_ps * factor,
        ),
        reading.board,
    )


def test_an_nmos_cpu_must_not_run_slowly():
    """50 us a cycle is beyond every maker's limit, 40 us (Synertek SY6500 sheet, p 3-39)."""
    reading = boot(cycles=300)
    finding = only(find_all(slowed(reading, 50)), "clock-limits")
    assert finding.severity == "fault"
    assert finding.count == len(reading.cycles)
    assert "clock-limits" not in {f.rule for f in find_all(slowed(reading, 30))}


def test_a_clock_off_the_boards_rate_is_an_oddity():
    """Beyond 3 % it is mentioned; it is no fault, since the board file may be wrong."""
    off = boot(cycles=600, clock_hz=Fraction(1_200_000))
    finding = only(find_all(off), "clock-nominal")
    assert finding.severity == "oddity"
    assert (finding.measured, finding.expected) == ("1.2 MHz", "1 MHz (board file)")
    near = boot(cycles=600, clock_hz=Fraction(1_020_000), rate=100_000_000)
    assert "clock-nominal" not in {f.rule for f in find_all(near)}


def stretched(reading: Reading, cycles: list[int], by_ps: int) -> Reading:
    """The capture with some cycles longer, phase 2 high."""
    capture = reading.capture
    time_ps = capture.time_ps.copy()
    for k in cycles:
        after = capture.time_ps > int(reading.cycles.rise_ps[k]) + 300_000
        time_ps[after] += by_ps
    longer = Capture(
        mode="timing",
        time_ps=time_ps,
        state=capture.state.copy(),
        known=None,
        lines=capture.lines,
        rate=capture.rate,
        gaps=capture.gaps.copy(),
        end_ps=capture.end_ps + by_ps * len(cycles),
    )
    return read_boot(longer, reading.board)


def test_stretched_cycles_are_counted():
    """A few are an oddity, with the cycles; a board that stretches all the time a note."""
    reading = boot(cycles=600)
    few = only(find_all(stretched(reading, [100, 200, 300], 1_000_000)), "clock-uneven")
    assert (few.severity, few.cycles, few.count) == ("oddity", (100, 200, 300), 3)
    many = only(find_all(stretched(reading, list(range(100, 580, 8)), 1_000_000)), "clock-uneven")
    assert (many.severity, many.count) == ("note", 60)


# ---- reset and vector


def test_a_reset_of_one_cycle_is_too_short():
    """Two cycles are the makers' least (Rockwell R650X p 2, W65C02S 3.11)."""
    finding = only(find_all(boot(cycles=600, reset_low=((3, 4),))), "reset-short")
    assert (finding.severity, finding.lines, finding.cycles) == ("oddity", ("RES",), (2,))
    two = find_all(boot(cycles=600, reset_low=((3, 6),)))
    assert "reset-short" not in {f.rule for f in two}


def test_a_reset_that_stays_low_again_is_held():
    """The CPU had started; then RES fell for good."""
    finding = only(find_all(boot(cycles=1500, reset_low=((0, 12), (700, 1500)))), "reset-held")
    assert (finding.severity, finding.cycles) == ("fault", (699,))


def test_one_more_reset_is_a_note():
    finding = only(find_all(boot(cycles=1500, reset_low=((0, 12), (700, 720)))), "reset-again")
    assert (finding.severity, finding.cycles, finding.count) == ("note", (699,), 1)


def test_chatter_is_a_note_with_the_number_of_rises():
    finding = only(
        find_all(boot(cycles=600, reset_low=((0, 12), (13, 14), (16, 18)))), "reset-chatter"
    )
    assert (finding.severity, finding.cycles, finding.count) == ("note", (11, 13), 2)


def test_res_low_while_the_cpu_runs_is_the_clip():
    """The line cannot be low: a CPU in reset does not write."""
    found = find_all(reread(boot(cycles=1500), "RES", 0))
    assert only(found, "clip-off").lines == ("RES",)
    assert "reset-held" not in {f.rule for f in found}


def test_res_that_rises_before_the_clock_is_an_oddity():
    """The CPU needs two cycles of a running clock with RES low (makers' sheets)."""
    record = run(cycles=600)
    capture = sample(record, rate=24_000_000, lines=line_names(record), lead_cycles=100.0, seed=5)
    drawn = reread(read_boot(capture, tide_gauge()), "RES", 1).capture
    clock = read_boot(capture, tide_gauge()).cycles.clock.starts_ps
    assert clock is not None
    early = redrawn(drawn, "RES", [(drawn.start_ps, clock - 20_000_000)], 0)
    finding = only(find_all(read_boot(early, tide_gauge())), "reset-early")
    assert (finding.severity, finding.lines) == ("oddity", ("RES",))
    assert "20 us" in finding.measured


def test_a_release_that_fetches_no_vector_is_a_fault():
    """RES low for ten cycles at the clip, and the CPU goes on as before."""
    found = find_all(reread(boot(cycles=1500), "RES", 0, range(600, 610)))
    finding = only(found, "vector-absent")
    assert finding.severity == "fault"
    assert finding.cycles[0] == 610
    assert "$FFFC" in finding.expected


def test_a_vector_that_is_not_taken_is_a_fault():
    """D1 and D3 of the low byte are others at the clip than the CPU took them for."""
    reading = boot(cycles=1500)
    at = int(np.flatnonzero(reading.cycles.address == 0xFFFC)[0])
    found = find_all(reread(reread(reading, "D1", None, [at]), "D3", None, [at]))
    finding = only(found, "vector-not-taken")
    assert (finding.severity, finding.cycles) == ("fault", (at, at + 1, at + 2))
    assert finding.expected == "$E00A"
    assert "$E000" in finding.measured
    assert only(found, "vector-content").expected == "$E000 (image)"


# ---- control lines


def test_rdy_low_while_the_cpu_runs_is_the_clip():
    found = find_all(reread(boot(cycles=1500), "RDY", 0))
    assert only(found, "clip-off").lines == ("RDY",)
    assert "rdy-held" not in {f.rule for f in found}


def test_a_program_that_cannot_be_followed_is_said_to_be_lost():
    """An oddity: what the CPU did does not follow from what the probe read."""
    reading = boot(Planting(Fault.parse("short:A0+RW@bus"), "stronger"), cycles=1500)
    finding = only(find_all(reading), "program-lost")
    assert finding.severity == "oddity"
    assert finding.count == len(reading.cycles) - finding.cycles[0]


# ---- lines


def test_one_stray_level_is_a_note():
    """One place, once: a spike."""
    finding = only(find_all(reread(boot(cycles=1500), "A5", None, [400])), "stray-level")
    assert (finding.severity, finding.lines, finding.cycles) == ("note", ("A5",), (400,))


def test_a_line_that_differs_both_ways_disagrees():
    """Neither stuck nor stray: it is told, and blames nobody."""
    finding = only(
        find_all(reread(boot(cycles=1500), "A5", None, range(200, 1400, 20))), "line-disagrees"
    )
    assert (finding.severity, finding.lines) == ("oddity", ("A5",))
    assert finding.count == 60


def test_a_line_that_is_low_half_of_the_time_fails():
    """Without a board nobody can tell the clip from the line."""
    reading = boot(cycles=1500, board=tide_gauge())
    low = reread(reading, "A5", 0, range(700, 1400))
    finding = only(find_all(read_boot(low.capture, unknown_board())), "line-fails")
    assert (finding.severity, finding.lines) == ("fault", ("A5",))
    assert 100 < finding.count < finding.opportunities
    assert set(finding.cycles) <= set(range(700, 1400))


def test_the_same_with_a_board_is_the_clip():
    """The chips answered as the CPU meant, so the line moved."""
    reading = boot(cycles=1500)
    finding = only(find_all(reread(reading, "A5", 0, range(700, 1400))), "clip-off")
    assert (finding.severity, finding.lines) == ("oddity", ("A5",))


@pytest.mark.parametrize("joined", ["A3+A7", "A6+A15", "A9+A12"])
def test_a_line_that_is_joined_with_another_is_not_its_clip(joined):
    """It often rests, and the chips answer as it shows, not as the CPU meant."""
    assert "clip-off" not in rules(find_all(boot(f"short:{joined}@bus", cycles=1500)))


# ---- selects and memory


def test_a_select_where_nobody_is_addressed_is_wrong():
    """The RAM's select comes at addresses that the decode table gives to no chip."""
    reading = boot(cycles=1500)
    nowhere = only(find_all(reading), "reads-nowhere").cycles[-20:]
    finding = only(find_all(reread(reading, "CS_RAM", 0, nowhere)), "select-wrong")
    assert (finding.severity, finding.lines, finding.chips) == ("fault", ("select:U4",), ("U4",))
    assert set(finding.cycles) == set(nowhere)


@pytest.mark.slow
def test_a_select_that_comes_with_every_read_of_a_chip_is_wrong_however_seldom_that_is(tmp_path):
    """A port that was read four times, at one address: the RAM's select came each time. Three times
    of four may be stray samples.
    """
    board = made_up(tmp_path, 4)
    whole = gather(boot(board=board, cycles=1500)).replay
    reads = np.flatnonzero(whole.healthy.drivers == 1 << whole.chips.index("Z6"))
    end = int(reads[whole.address[reads] != whole.address[reads[0]]][0])
    reading = boot(board=board, cycles=end)
    reads = reads[reads < end]
    assert len(reads) == 4
    line = next(name for name in line_names(run(board=board, cycles=9)) if "RAM" in name)
    finding = only(find_all(reread(reading, line, 0, reads)), "select-doubled")
    assert (finding.severity, finding.chips) == ("fault", ("Z4", "Z6"))
    few = {f.rule for f in find_all(reread(reading, line, 0, reads[:3]))}
    assert not few & {"select-doubled", "select-wrong"}


@pytest.mark.slow
@pytest.mark.parametrize(("line", "ref"), [("CS_ROM", "U5"), ("CS_RAM", "U4")])
def test_a_select_that_never_comes_while_its_chip_answers_is_the_clip(line, ref):
    finding = only(find_all(reread(boot(cycles=1500), line, 1)), "clip-off")
    assert (finding.lines, finding.chips) == ((f"select:{ref}",), (ref,))


def test_a_select_that_always_comes_while_its_chip_keeps_quiet_is_the_clip():
    found = find_all(reread(boot(cycles=1500), "CS_RAM", 0))
    assert only(found, "clip-off").lines == ("select:U4",)
    assert "select-always" not in {f.rule for f in found}


def test_one_wrong_byte_that_nobody_used_is_a_stray_read():
    """A dummy read of the ROM with one bit wrong: an oddity, no bad ROM."""
    reading = boot(cycles=1500)
    evidence = gather(reading)
    rom = evidence.replay.healthy.drivers == 1 << evidence.replay.chips.index("U5")
    cycle = int(np.flatnonzero(rom & ~evidence.program_byte & evidence.live)[3])
    finding = only(find_all(reread(reading, "D0", None, [cycle])), "stray-read")
    assert (finding.severity, finding.chips, finding.cycles) == ("oddity", ("U5",), (cycle,))


def test_a_wrong_byte_at_the_same_place_again_and_again_is_content():
    """The same ROM byte wrong at each of its reads is no stray sample."""
    reading = boot(cycles=2500)
    address = reading.cycles.address[-600:]
    rom = address[address >= 0xE000]
    busiest = np.bincount(rom).argmax()
    cycles = np.flatnonzero(reading.cycles.address == busiest)
    assert len(cycles) >= 4
    finding = only(find_all(reread(reading, "D0", None, cycles)), "rom-content")
    assert (finding.severity, finding.chips) == ("fault", ("U5",))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4, 6, 7])
def test_a_silent_register_repeats_the_byte_before(seed, tmp_path):
    """Dead I/O cannot be compared with an image: it is told by the byte that stays on the bus."""
    board = made_up(tmp_path, seed)
    (io,) = [chip.ref for chip in board.mapped if chip.role == "io"]
    finding = only(find_all(boot(f"silent:{io}", board=board, cycles=6000)), "io-unanswered")
    assert (finding.severity, finding.chips) == ("fault", (io,))
    assert finding.count == finding.opportunities
    assert "io-unanswered" not in {f.rule for f in find_all(boot(board=board, cycles=6000))}


def test_a_bus_at_rest_is_mentioned_where_the_clock_was_not_captured():
    reading = boot("clock:stops", cycles=2500, without=["PHI2"])
    finding = only(find_all(reading), "bus-rests")
    rest = reading.capture.end_ps - int(reading.cycles.time_ps[-1])
    assert finding.severity == "oddity"
    assert finding.count == rest // reading.cycles.clock.period_ps >= 64
    assert "bus-rests" not in {f.rule for f in find_all(boot(cycles=2500, without=["PHI2"]))}


def test_every_rule_is_made_to_speak():
    """A rule id in the code that stands in no file of these tests has no test."""
    here: set[str] = set()
    for file in Path(__file__).parent.glob("test_*.py"):
        here |= set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', file.read_text(encoding="utf-8")))
    told: set[str] = set()
    for module in (REPOSITORY / "bustrace" / "findings").glob("*_rules.py"):
        text = module.read_text(encoding="utf-8")
        for given in re.findall(r"rule=(.+?),\n", text):
            told |= set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', given))
    assert len(told) > 25
    assert told <= here


@pytest.mark.parametrize("missing", [(), ("A0", "A1", "A2"), ("A12", "A13", "A14", "A15")])
def test_a_start_of_the_cpu_with_res_high_all_the_time_is_the_clip(missing):
    """Reads down the stack, the vector, and where it leads: as far as the lines tell."""
    reading = boot(cycles=900, without=("SYNC", *missing))
    at = np.flatnonzero(gather(reading).replay.address == 0xFFFC)[0]
    finding = only(find_all(reread(reading, "RES", 1)), "clip-off")
    assert (finding.lines, finding.cycles) == (("RES",), (at,))


def test_too_few_lines_tell_no_start_of_the_cpu():
    missing = tuple(f"A{bit}" for bit in range(7))
    found = find_all(reread(boot(cycles=900, without=("SYNC", *missing)), "RES", 1))
    assert "clip-off" not in rules(found)


def test_no_line_is_called_still_where_each_is_judged():
    """Only RES rests, and another rule judges it."""
    reading = boot(cycles=2500, lines=("RES", *BUSES))
    assert "line-still" not in rules(find_all(reread(reading, "RES", 1)))
