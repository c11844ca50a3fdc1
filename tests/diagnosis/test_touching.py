"""Lines of two groups that touch, and what only looks so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import FIXTURES, boot, first_class, only, rules

from bustrace.board import load_board
from bustrace.diagnosis import diagnose
from bustrace.drill import Display, Planting
from bustrace.faults import Fault
from bustrace.findings import find_all, gather, joined_rules
from bustrace.program import does_not_wait
from bustrace.reading import Reading, read_boot


def clipped_to(reading: Reading, line: str, other: str) -> Reading:
    """Read again with a line's clip on another line's pin."""
    capture = reading.capture
    at, on = (np.uint64(1 << capture.lines.index(name)) for name in (line, other))
    state = np.where(capture.state & on != 0, capture.state | at, capture.state & ~at)
    return read_boot(replace(capture, state=state), reading.board)


@pytest.mark.slow
@pytest.mark.parametrize("pin", ["IRQ", "NMI", "RDY"])
@pytest.mark.parametrize("line", ["A5", "D3"])
def test_a_clip_on_another_pin_is_no_joint(pin, line):
    """The CPU runs on as though the pin rested."""
    found = find_all(clipped_to(boot(cycles=7000), pin, line))
    assert "lines-together" not in rules(found)
    assert rules(found, "fault") == set()


@pytest.mark.slow
def test_an_input_that_is_asked_again_and_again_shows_one_level_in_few_places(monkeypatch):
    """The CPU runs in the small circle of its NMIs: as many places in all are enough."""
    evidence = gather(boot("short:D2+NMI@bus", cycles=3000))
    together = [("D2", "NMI")]
    assert [f.lines for f in joined_rules.groups_together(evidence)] == together
    monkeypatch.setattr(joined_rules, "EACH_WAY", 6)  # five with D2 high
    assert [f.lines for f in joined_rules.groups_together(evidence)] == together
    monkeypatch.setattr(joined_rules, "CONTEXTS", 32)
    assert [f.lines for f in joined_rules.groups_together(evidence)] == []


@pytest.mark.slow
def test_ready_that_was_never_high_may_be_pulled_by_every_low_line():
    diagnosis = diagnose(boot("short:D7+RDY@bus"))
    assert str(diagnosis.suspects[0].fault) == "held:RDY=0"
    assert {"held:RDY=0", "short:D7+RDY@bus"} < first_class(diagnosis)
    assert first_class(diagnosis) == first_class(diagnose(boot("held:RDY=0")))


@pytest.mark.slow
def test_ready_that_fell_with_a_line_was_likely_pulled_by_it():
    """Something else may have pulled it in that cycle, so it is named after that."""
    first, second = diagnose(boot("short:D0+RDY@bus")).suspects[:2]
    assert [str(s.fault) for s in (first, second)] == ["short:D0+RDY@bus", "held:RDY=0"]
    assert first.probability + second.probability == pytest.approx(1)
    assert "fell once" in first.against[0]


@pytest.mark.slow
def test_beside_lines_that_touch_other_suspects_count_little():
    first, *others = diagnose(boot("short:A9+D4@bus")).suspects
    assert (str(first.fault), others != []) == ("short:A9+D4@bus", True)
    for suspect in others:
        assert not {"A9", "D4"} & set(suspect.fault.lines)
        assert suspect.probability < 0.05
        assert "A9 and D4 move as one" in suspect.against[-1]


@pytest.mark.slow
@pytest.mark.parametrize("line", ["A10", "A3", "D2"])
def test_an_unseen_nmi_may_be_joined_to_any_line_that_falls_before_each(line):
    reading = boot(f"short:{line}+NMI@bus", cycles=1500, without=("NMI",))
    diagnosis = diagnose(reading)
    assert only(diagnosis.findings, "nmi-storm").severity == "fault"
    assert f"short:{line}+NMI@bus" in first_class(diagnosis)
    # R/W falls in what pushes, which an NMI forgets; A15 not before the first one.
    assert not {"short:NMI+RW@bus", "short:A15+NMI@bus"} & first_class(diagnosis)


@pytest.mark.slow
@pytest.mark.parametrize("line", ["D2", "D3", "D5"])
def test_a_data_line_joined_to_rw_is_told_by_a_write_or_two(line):
    """High in all reads, and low in the one address that is still written."""
    planting = Planting(Fault.parse(f"short:{line}+RW@bus"), "high")
    assert first_class(diagnose(boot(planting, cycles=1500))) == {f"short:{line}+RW@bus"}


@pytest.mark.slow
@pytest.mark.parametrize("line", ["D2", "D5", "D6"])
def test_a_data_line_that_is_stuck_in_reads_alone_is_not_joined_to_rw(line):
    found = find_all(boot(f"stuck:{line}=1@read", cycles=1500))
    assert "lines-together" not in rules(found)


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["high", "low"])
@pytest.mark.parametrize("line", ["A3", "A9", "A14"])
def test_an_address_line_joined_to_rw_has_its_level_throughout(line, variant):
    """No address line is stuck in reads alone, so few writes tell."""
    planting = Planting(Fault.parse(f"short:{line}+RW@bus"), variant)
    assert first_class(diagnose(boot(planting))) == {f"short:{line}+RW@bus"}


@pytest.mark.slow
@pytest.mark.parametrize("line", ["A0", "A4"])
def test_an_address_line_joined_to_rw_is_seen_where_the_program_cannot_be_followed(line):
    """Of two levels the one of the stronger driver stands: R/W is low in fetches, and a fetch is a
    read whatever the program is.
    """
    planting = Planting(Fault.parse(f"short:{line}+RW@bus"), "stronger")
    diagnosis = diagnose(boot(planting))
    assert "program-lost" in rules(diagnosis.findings)
    assert first_class(diagnosis) == {f"short:{line}+RW@bus"}


@pytest.mark.parametrize("line", ["A13", "SYNC"])
@pytest.mark.parametrize("others_wrong", [False, True])
def test_bytes_of_another_rom_tell_of_no_line(others_wrong, line):
    """D2 goes with another line wherever the CPU runs, but nothing else there is as the image has
    it either: the ROM is another one.
    """
    rng = np.random.default_rng(7)
    address = rng.integers(0x8000, 0x10000, size=400, dtype=np.uint32)
    data = rng.integers(256, size=400, dtype=np.uint32)
    sync = rng.integers(2, size=400, dtype=np.uint32)
    level = sync if line == "SYNC" else address >> np.uint32(13) & np.uint32(1)
    data = data & np.uint32(0xFB) | level << np.uint32(2)
    image = data ^ np.uint32(0x04 if not others_wrong else 0x5C)
    known = np.full(400, 0x2FFFFFF, np.uint32)
    levels = joined_rules._Levels(
        cycle=np.arange(400),
        seen=address | data << np.uint32(16) | sync << np.uint32(25),
        known=known,
        meant=address | image << np.uint32(16) | sync << np.uint32(25),
        meant_known=known,
        address=address,
    )
    a, b = sorted(joined_rules.LINES.index(name) for name in (line, "D2"))
    finding = joined_rules._driven(levels, a, b)
    assert (finding is None) is others_wrong


@pytest.mark.slow
def test_where_another_owner_drives_the_address_ready_is_not_taken_for_ignored():
    """A display holds RDY low while it reads: that the address moves then is its doing."""
    board, display = (
        load_board(FIXTURES / "departure_board" / "board.toml"),
        Display(66, 6, 1024, 29),
    )
    reading = boot(board=board, cycles=1500, display=display)
    assert (reading.cycles.pin("RDY") == 0).any()
    assert not does_not_wait(reading.cycles)
