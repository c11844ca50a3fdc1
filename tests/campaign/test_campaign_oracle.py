"""What a capture shows without noise, and the faults that nobody could tell apart."""

import numpy as np
import pytest

from bustrace.campaign.boards import loaded
from bustrace.campaign.cases import lines_of
from bustrace.campaign.oracle import MOST_CANDIDATES, Oracle, neighbours
from bustrace.campaign.playing import by_planted_names, play_case
from bustrace.campaign.seen import differing, seen_on
from bustrace.drill import (
    Occurrence,
    Planting,
    is_same_block,
    line_names,
    plantable,
    simulate,
)
from bustrace.faults import Fault


def oracle_of(case):
    lines = lines_of(case.run(()), case.line_set)
    true, healthy = (seen_on(case.run(faults), lines) for faults in (case.faults, ()))
    return Oracle(case, case.faults, lines, true, healthy)


def test_the_levels_are_those_of_the_record(case_of):
    """Buses, control and selects as the drill's own columns have them."""
    record = case_of().run(["plane:U4.3"])
    lines = line_names(record)
    seen = seen_on(record, lines)

    def column(line):
        return (seen >> np.uint64(lines.index(line)) & np.uint64(1)).astype(int)

    for bit in range(16):
        assert np.array_equal(column(f"A{bit}"), record.clip_address >> bit & 1)
    for bit in range(8):
        assert np.array_equal(column(f"D{bit}"), record.clip_data >> bit & 1)
    for line in ("SYNC", "RES", "IRQ", "NMI", "RDY"):
        assert np.array_equal(column(line), getattr(record, line.lower()))
    assert np.array_equal(column("RW"), record.rw)
    assert column("PHI2").all()


def test_a_run_is_seen_from_its_start_on_and_on_its_lines_only(case_of):
    case = case_of()
    healthy, faulty = case.run(()), case.run(["clip:A3"])
    assert len(seen_on(healthy, ("PHI2", "A3"), start=100)) == 1400
    assert len(differing(seen_on(healthy, ("A3",)), seen_on(faulty, ("A3",))))
    assert not len(differing(seen_on(healthy, ("A4",)), seen_on(faulty, ("A4",))))


def test_a_probe_off_the_clock_shows_in_every_cycle(case_of):
    case = case_of()
    for seed in range(4):  # whichever level it rests at
        board = loaded(case.files)
        off = simulate(board, cycles=300, faults=["clip:PHI2"], seed=seed)
        on = simulate(board, cycles=300, seed=seed)
        assert len(differing(seen_on(on, ("PHI2",)), seen_on(off, ("PHI2",)))) == 300


def test_cycles_that_only_one_run_has_differ():
    one, other = np.array([1, 2, 3], np.uint64), np.array([1, 5], np.uint64)
    assert differing(one, other).tolist() == [1, 2]
    assert differing(other, one).tolist() == [1, 2]


def test_a_fault_of_lines_that_nobody_clipped_is_invisible(case_of):
    told = play_case(case_of("clip:A3", line_set="8"))
    assert told["differing"] == 0
    assert "right" not in told


def test_an_open_input_is_one_that_stays_high(case_of):
    """A TTL input that nothing drives acts high (Fairchild AN-363); low is another matter."""
    oracle = oracle_of(case_of("open:A1@U4"))
    truth = oracle.truth[0]
    assert oracle.alike(truth, Fault.parse("stuck:A1=1@U4"))
    assert not oracle.alike(truth, Fault.parse("stuck:A1=0@U4"))
    assert not oracle.alike(truth, Fault.parse("stuck:A2=1@U4"))
    assert oracle.size(truth, 2) == 2


def test_what_cannot_be_planted_is_alike_to_nothing(case_of):
    oracle = oracle_of(case_of("silent:U4"))
    assert not oracle.alike(oracle.truth[0], Fault.parse("silent:U99"))


def test_the_size_is_worked_out_no_further_than_asked(case_of):
    oracle = oracle_of(case_of("stuck:CS_U4=1@bus"))
    truth = oracle.truth[0]
    assert oracle.size(truth, 1) == 1
    assert not oracle._known
    assert oracle.size(truth, 2, [Fault.parse("stuck:CS_U4=1@decoder")]) == 2
    assert len(oracle._known) == 1


def test_with_two_faults_each_has_its_class_beside_the_other(case_of):
    oracle = oracle_of(case_of("open:A1@U4", "held:IRQ=0"))
    first, second = oracle.truth
    assert oracle.alike(first, Fault.parse("stuck:A1=1@U4"))
    assert not oracle.alike(second, Fault.parse("stuck:A1=1@U4"))
    assert not oracle.alike(first, second)


def test_neighbours_are_of_the_same_line_or_chip_the_nearest_first(tide_gauge):
    among = plantable(loaded(tide_gauge))
    near = neighbours(Fault.parse("plane:U4.3"), among)
    assert Fault.parse("stuck:D3=0@U4") in near[:MOST_CANDIDATES]
    assert Fault.parse("silent:U4") in near
    assert not any(fault.family == "cell" for fault in near)
    assert Fault.parse("silent:U5") not in near
    lines = [str(fault) for fault in neighbours(Fault.parse("stuck:A9=1@bus"), among)[:10]]
    assert "stuck:A9=1@behind" in lines
    assert all("A9" in text for text in lines)


def test_a_line_that_a_memory_drives_is_near_it_and_an_interrupt_line_near_who_asks(tide_gauge):
    among = plantable(loaded(tide_gauge))

    def nearest(text):
        return [str(fault) for fault in neighbours(Fault.parse(text), among)[:MOST_CANDIDATES]]

    assert "stuck:D4=1@read" in nearest("plane:U5.4")
    assert "plane:U5.4" in nearest("stuck:D4=1@read")
    assert "held:IRQ=0" in nearest("register:U6")
    assert "register:U6" in nearest("held:IRQ=0")
    assert "stuck:CS_U5=0@U5" in nearest("always:U5")


def test_a_candidate_is_looked_at_in_longer_and_longer_runs(case_of):
    oracle = oracle_of(case_of("open:A1@U4", cycles=5000))
    looks = list(oracle._looks([Fault.parse("stuck:A1=1@U4")]))
    assert looks == sorted(set(looks))
    assert looks[0] > oracle.changed[0]
    assert looks[-1] == 5000
    assert list(oracle._looks([Fault.parse("clock:stops")])) == [5000]


@pytest.mark.slow
def test_a_fault_the_diagnosis_finds_scores_as_right(case_of):
    told = play_case(case_of("plane:U4.3", cycles=5000))
    assert told["truth"] == ["plane:U4.3"]
    assert (told["right"], told["missed"], told["verdict"]) == (True, False, "fault")
    assert told["size"] == 2
    assert told["first_differing"] < 5000
    assert sum(told["advised"]) < sum(told["easiest"])


def test_of_two_faults_the_one_that_changes_nothing_does_not_count(case_of):
    """With RDY held from the start nothing is ever read from the RAM."""
    told = play_case(case_of("cell:U4.0003.1=0", "held:RDY=0"))
    assert told["truth"] == ["held:RDY=0"]


def test_a_rom_of_another_content_may_hold_whatever_was_read_of_it(case_of):
    """One bad cell of a ROM, or a chip that overrules it with bytes of its own: who does not know
    what it holds cannot tell.
    """
    oracle = oracle_of(case_of(Planting(Fault.parse("cell:U5.1FFC.4=1"), "alone")))
    assert len(oracle.changed)
    assert oracle.alike(oracle.truth[0], Fault.parse("content:U5"))


def test_a_rom_that_gives_two_bytes_at_one_place_is_not_of_another_content(case_of):
    flickers = Planting(Fault.parse("plane:U5.3"), "low", Occurrence(activity=0.02, burst=1))
    oracle = oracle_of(case_of(flickers, cycles=4000))
    assert len(oracle.changed)
    assert not oracle.alike(oracle.truth[0], Fault.parse("content:U5"))
    ram = oracle_of(case_of("plane:U4.3"))
    assert not ram.alike(ram.truth[0], Fault.parse("content:U5"))


@pytest.mark.parametrize(
    ("way", "cell", "same"),
    [
        ("row", "U4.0143.3=1", True),
        ("row", "U4.0144.3=1", False),
        ("column", "U4.0044.3=1", True),
        ("column", "U4.0083.3=1", False),
        ("alone", "U4.0143.3=1", False),
        ("row", "U4.0143.2=1", False),
        ("row", "U4.0143.3=0", False),
        ("row", "U5.0143.3=1", False),
    ],
)
def test_a_row_or_a_column_goes_by_the_name_of_any_of_its_cells(tide_gauge, way, cell, same):
    """Of the 2,048 bytes of U4 the five lower address bits choose the row."""
    planted = Planting(Fault.parse("cell:U4.0043.3=1"), way)
    assert is_same_block(loaded(tide_gauge), planted, Fault.parse(f"cell:{cell}")) is same
    assert is_same_block(loaded(tide_gauge), planted, planted.fault)


def test_answers_call_a_planted_row_by_its_planted_name(case_of):
    case = case_of(Planting(Fault.parse("cell:U4.0043.3=1"), "row"))
    told = [[Fault.parse(text) for text in group] for group in (
        ("cell:U4.0143.3=1", "plane:U4.3", "cell:U4.0163.3=1"), ("cell:U4.0044.3=1",)
    )]  # fmt: skip
    first, second = by_planted_names(told, case)
    assert first == (case.faults[0], Fault.parse("plane:U4.3"))
    assert second == (Fault.parse("cell:U4.0044.3=1"),)
