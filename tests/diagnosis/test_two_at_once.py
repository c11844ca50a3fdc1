"""Two faults at once: the second is looked for where the first leaves it to be seen."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import boot

from bustrace.board import load_board
from bustrace.diagnosis import several
from bustrace.diagnosis.gains import MIN_GAIN, _gave_others, score
from bustrace.diagnosis.grouping import Weighed, groups_of, listed
from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.seen_directly import stuck_line
from bustrace.diagnosis.several import already_there, further
from bustrace.diagnosis.weighing import weigh
from bustrace.drill import Occurrence, Planting
from bustrace.faults import Fault
from bustrace.findings import EITHER_WINS, HEALTHY, WEAK_HIGH, Assumption, gather, observe

pytestmark = pytest.mark.slow

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def planted(fault, way="plain", onset=0):
    """A fault that shows itself in one way, from a cycle on."""
    return Planting(Fault.parse(fault), way, Occurrence(onset))


def of(evidence, *faults):
    """The hypotheses of these faults alone."""
    return [h for h in enumerate_hypotheses(evidence) if str(h.fault) in faults]


def weighed(evidence, hypotheses):
    """Groups of hypotheses, the likeliest first."""
    scored = score(evidence, hypotheses, HEALTHY, MIN_GAIN)
    return groups_of(scored, evidence.replay.wrong, listed(evidence))


def given(fault, does, onset=0):
    """A fault that is taken for the likeliest."""
    return Weighed(Fault.parse(fault), (), 500.0, 0.8, onset, False, does, -5.0)


def test_what_was_wrong_before_the_likeliest_fault_began_is_told_by_the_cycles_before_it():
    two = planted("silent:U4", "late"), planted("silent:U5", "dead", 700)
    evidence = gather(boot(*two, seed=1, cycles=1000))
    does = Assumption(silent=1 << evidence.replay.chips.index("U5"))
    hypotheses = of(evidence, "silent:U4", "silent:U5")
    (before,) = already_there(evidence, hypotheses, given("silent:U5", does, onset=700))
    assert str(before.fault) == "silent:U4"
    assert already_there(evidence, hypotheses, given("silent:U5", does)) == []
    assert already_there(evidence, hypotheses, given("silent:U4", does, onset=700)) == []


@pytest.mark.parametrize(("gain", "sure"), [(41.0, True), (12.0, False)])
def test_a_fault_that_was_there_before_stands_behind_the_likeliest(monkeypatch, gain, sure):
    """As one more where it explains as much as one more must, else as one that may be there."""
    earlier = replace(given("silent:U6", Assumption(silent=1)), gain=gain, probability=0.7)
    monkeypatch.setattr("bustrace.diagnosis.weighing.already_there", lambda *_: [earlier])
    groups = weigh(gather(boot("plane:U4.3", seed=1, cycles=600)))
    assert str(groups[0].fault) == "plane:U4.3"
    (told,) = (group for group in groups[1:] if group.fault == earlier.fault)
    assert (told.probability >= 0.5) is sure


def test_bad_cells_of_a_rom_are_seen_beside_a_data_bit_that_is_wrong_in_all_its_bytes():
    """Alone they are not thought of: what is wrong with the ROM is no single bit at one level."""
    two = planted("plane:U5.1", "low"), planted("cell:U5.0002.0=1", "row")
    evidence = gather(boot(*two, seed=1, cycles=2500))
    assert not any(h.fault.family == "cell" for h in enumerate_hypotheses(evidence))
    does = Assumption(data_pin_chip=evidence.replay.chips.index("U5"), data_pin_and=0xFD)
    more, _ = further(evidence, [], given("plane:U5.1", does))
    assert [group.fault.family for group in more] == ["cell"]
    assert more[0].fault.chip.endswith(".0")


def test_a_second_fault_that_leaves_nothing_wrong_is_sure_though_it_gives_bytes_that_nobody_knew():
    """A dead decoder leaves the bus alone, but for the RAM that pulls it down all the time: its
    bytes are no wrong levels, and whatever gave them has to give them too.
    """
    two = planted("shared:U2", "dead"), planted("always:U4", "low")
    evidence = gather(boot(*two, seed=2, cycles=1500))
    (decoder,) = weighed(evidence, of(evidence, "shared:U2"))
    (second,), _ = further(evidence, of(evidence, "always:U4"), decoder)
    assert str(second.fault) == "always:U4"
    assert second.probability >= 0.5


class Early:
    """What some faults cost cycle by cycle; 300 bits on a sound board."""

    def __init__(self, told):
        self.told = {h.assumption: cost for h, cost in told}

    def early_cost(self, assumption, cycles):
        return self.told.get(assumption, np.full(3, 100, np.float32))


def explains(chip, *bits):
    """A chip that is mute, and what it leaves of each cycle."""
    hypothesis = Hypothesis(
        Fault.parse(f"silent:U{chip}"), Assumption(silent=1 << chip), "silent", -5.0
    )
    return hypothesis, np.array(bits, np.float32)


def test_pairs_are_of_others_than_the_likeliest_and_lead_to_a_start_that_was_not_tried(
    monkeypatch,
):
    """Whatever stands beside the likeliest was found when that was given."""
    told = [explains(1, 0, 0, 90), explains(2, 0, 90, 90), explains(3, 90, 90, 0)]
    likeliest, tried, other = (h for h, _ in told)
    pools = []

    def best_pair(evidence, pool, healthy, least):
        pools.append([h for h, _ in pool])
        return tried, other

    monkeypatch.setattr(several, "_best_pair", best_pair)
    itself = SimpleNamespace(stand_in=lambda assumption: assumption)
    monkeypatch.setattr(several, "same_answers", lambda _: itself)
    monkeypatch.setattr(several, "_other_stories", lambda *_: [])
    evidence = SimpleNamespace(replay=Early(told))
    known = [likeliest.assumption, tried.assumption]
    *_, start = several._parts(evidence, [h for h, _ in told], known, 0.0)
    assert start.fault == other.fault
    assert {h.fault for h in pools[0]} == {tried.fault, other.fault}


def test_a_start_that_explains_the_same_cycles_as_one_before_is_passed_over():
    known = np.array([0, 0, 90], np.float32)
    likeliest_first = [
        explains(1, 0, 10, 90),
        explains(2, 90, 0, 10),
        explains(3, 80, 0, 10),
        explains(4, 0, 100, 0),
        explains(5, 100, 100, 0),
    ]
    starts = several._other_stories(likeliest_first, [known])
    assert [str(each.fault) for each in starts] == ["silent:U2", "silent:U4"]


def test_a_rom_of_another_content_gives_the_same_byte_but_on_a_line_that_is_weak_besides():
    evidence = gather(boot(planted("plane:U5.3", "weak"), seed=1, cycles=2500))
    chip = evidence.replay.chips.index("U5")
    alone = Assumption(loose=chip)
    beside = Assumption(loose=chip, weak_chip=chip, weak_lines=1 << 3, weak_way=WEAK_HIGH)
    answers = evidence.replay.replay(alone)
    assert _gave_others(evidence, answers, alone, 0) > 0
    assert _gave_others(evidence, answers, beside, 0) == 0


@pytest.mark.parametrize(("place", "held"), [("read", {"read", "bus"}), ("bus", {"bus", None})])
def test_a_data_line_that_rests_in_reads_alone_is_held_on_the_way_to_the_cpu(place, held):
    """Told by the line itself where another fault explains the answers."""
    seen = observe(boot(f"stuck:D4=0@{place}", seed=1, cycles=1500))
    finding = next(f for f in seen.findings if f.rule == "line-stuck" and not f.chips)
    suspect = stuck_line(seen, finding)
    assert {fault.place for fault in (suspect.fault, *suspect.alike)} == held
    assert suspect.fault == Fault.parse(f"stuck:D4=0@{place}")


def test_a_weak_line_costs_the_same_beside_a_chip_that_fights_on_another_line():
    """One line of a ROM gives way, and a one-bit RAM that drives all the time has another."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    replay = gather(boot(planted("plane:U5.7", "weak"), board=board, cycles=1500)).replay
    weak = Assumption(weak_chip=replay.chips.index("U5"), weak_lines=1 << 7, weak_way=WEAK_HIGH)
    fights = Assumption(always=1 << replay.chips.index("U23"), fight=EITHER_WINS)
    both = weak._replace(always=fights.always, fight=EITHER_WINS)
    alone = replay.replay(weak).total
    assert alone < replay.healthy.total - 1000
    assert replay.replay(both).total > alone


def test_two_open_data_lines_are_found_though_one_fault_acts_like_both():
    """Every byte is wrong in both, as if other chips answered; what each explains adds up."""
    evidence = gather(boot("open:D0@read", "open:D1@read", seed=1, cycles=2500))
    first, second, *_ = weigh(evidence)
    assert {str(fault) for fault in first.members | second.members} >= {
        "open:D0@read",
        "open:D1@read",
    }


def test_what_two_explain_on_different_data_lines_adds_up():
    """Three hypotheses: two lines of which each leaves the other's bits, and one for most of it."""
    told = [
        (Hypothesis(Fault.parse(f"open:D{bit}@read"), Assumption(read_or=1 << bit), "open", -5.0),
         np.array([100, 100, 100], np.float32))
        for bit in (0, 1)
    ]  # fmt: skip
    told.append(explains(1, 60, 60, 60))
    replay = SimpleNamespace(replay=lambda joined: joined, healthy=SimpleNamespace(total=600.0))
    evidence = SimpleNamespace(replay=replay)
    healthy = np.full(3, 200, np.float32)
    tried = []

    def gain(_, joined, __):
        tried.append(joined)
        return 0.0

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(several, "whole_gain", gain)
        several._best_pair(evidence, told, healthy, 0.0)
    assert tried[0] == Assumption(read_or=3)
