"""What a boot shows of a ROM that nobody dumped: each bit of a program is now 0 and now 1."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import boot, first_class, members, only, rules, undumped

from bustrace.diagnosis import diagnose
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import find_all
from bustrace.findings.answers import BoardReplay

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("fault", "line"), [("stuck:D7=1@read", "D7"), ("plane:U5.1", "D1"), ("plane:U5.4", "D4")]
)
def test_a_line_at_one_level_in_all_of_a_rom_is_stuck(fault, line):
    reading = undumped(fault, seed=6)
    finding = only(find_all(reading), "line-stuck")
    assert (finding.severity, finding.lines) == ("fault", (line,))
    assert finding.count == finding.opportunities >= 48
    assert fault in first_class(diagnose(reading))


def test_a_clip_that_is_off_is_not_taken_for_a_line():
    """It never moves, and the program cannot be followed."""
    found = find_all(undumped("clip:D3"))
    assert "line-stuck" not in {finding.rule for finding in found}


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_healthy_program_moves_every_line(seed):
    found = find_all(undumped(seed=seed, cycles=6000))
    assert [finding for finding in found if finding.severity == "fault"] == []


def test_memory_that_holds_one_byte_is_hardly_news():
    """The CPU runs through unprogrammed ROM; bytes of a program cost eight bits each."""
    replay = BoardReplay(undumped("open:D4@read"))
    rom = (replay.healthy.drivers == 1 << replay.chips.index("U5")) & (replay.read == 1)
    cells, first = np.unique(replay.address[rom], return_index=True)
    cost = replay.healthy.cost[np.flatnonzero(rom)[first]]
    assert len(cells) > 200
    assert (cost > 7).sum() > 10
    assert np.median(cost) < 0.5


def test_an_empty_rom_needs_no_image_to_be_named():
    diagnosis = diagnose(undumped(Planting(Fault.parse("content:U5"), "blank")))
    assert any("content:U5" in members(suspect) for suspect in diagnosis.suspects)
    assert boot().board.chip("U5").images


@pytest.mark.parametrize(
    ("seed", "others"), [(1, {"content:U5", "silent:U5"}), (3, {"content:U5"}), (5, set())]
)
def test_a_vector_that_leads_nowhere_points_to_its_rom(seed, others):
    """RAM in the ROM's socket: no image tells, but no program begins where no ROM is. What else it
    may be hangs on what else is read: one steady byte after the other is no mute chip, and a place
    of the RAM that keeps its bytes against all writes has the ROM in it.
    """
    diagnosis = diagnose(undumped("swapped:U4+U5", seed=seed, cycles=2500))
    finding = only(diagnosis.findings, "vector-nowhere")
    assert (finding.severity, finding.chips) == ("fault", ("U5",))
    assert first_class(diagnosis) == {"swapped:U4+U5", *others}
    if not others:
        return
    assert diagnosis.suspects[0].probability == 0.5
    assert "U4 and U5" in diagnosis.suspects[0].tell_apart
    for other in diagnosis.suspects[1:]:
        assert any("was wrong before" in against for against in other.against)


def test_opcodes_that_no_sheet_lists_are_no_program():
    finding = only(find_all(undumped("stuck:D0=1@read", cycles=2500)), "program-nonsense")
    assert finding.severity == "fault"
    assert 4 <= finding.count >= 0.2 * finding.opportunities


@pytest.mark.parametrize("fault", [None, "silent:U6", "register:U6"])
def test_a_program_that_keeps_its_way_makes_sense(fault):
    found = find_all(undumped(*([fault] if fault else []), cycles=5000))
    assert "program-nonsense" not in rules(found)
