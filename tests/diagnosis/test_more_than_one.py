"""Faults beside what is only another state of the board, and chips that fight."""

from __future__ import annotations

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import (
    FIXTURES,
    boot,
    first_class,
    made_up,
    members,
    read,
    run,
    tide_gauge,
)

from bustrace.board import load_board
from bustrace.diagnosis import diagnose, several
from bustrace.diagnosis.among_suspects import perhaps_revised
from bustrace.diagnosis.gains import Scored
from bustrace.diagnosis.grouping import Weighed, groups_of
from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.several import LAST_FAULT_WORTH, TOGETHER, instead_of, worth
from bustrace.diagnosis.suspected import suspected
from bustrace.diagnosis.weighing import weigh
from bustrace.drill import Display, Nuisances, Occurrence, Planting, as_described
from bustrace.faults import Fault
from bustrace.findings import FIRST_WINS, WRONG_ONLY, Assumption, gather, observe

pytestmark = pytest.mark.slow


def revised(*faults, seed=5):
    """A boot judged by the image of another revision of its ROM."""
    board = as_described(tide_gauge(), Nuisances(other_revision="U5"), 8)
    return diagnose(read(run(*faults, seed=seed, cycles=4000), board=board, seed=seed))


def test_another_revision_that_runs_well_is_said_to_be_perhaps_just_that():
    (suspect,) = revised().suspects
    assert str(suspect.fault) == "content:U5"
    assert any("another revision" in against for against in suspect.against)


@pytest.mark.parametrize("fault", ["plane:U4.3", "cell:U4.0000.0=1", "stuck:D6=1@write"])
def test_what_else_is_wrong_stands_before_another_revision(fault):
    diagnosis = revised(fault)
    assert fault in first_class(diagnosis)
    assert any("content:U5" in members(suspect) for suspect in diagnosis.suspects[1:])


def test_another_revision_does_not_explain_a_select_that_is_seen_along_with_the_roms():
    along = Planting(Fault.parse("doubled:U5+U4"), "low", Occurrence(1_700, 0.1, 8))
    named = [str(suspect.fault) for suspect in revised(along).suspects]
    assert named[:2] == ["content:U5", "doubled:U5+U4"]


def test_beside_another_revision_what_is_no_byte_of_it_tells_of_a_second_fault(tmp_path):
    """The ROM always drives: where no chip is it gives bytes that nobody knew, and no wrong one."""
    board = made_up(tmp_path, 0)
    other = Planting(Fault.parse("content:Z5"), "revision")
    always = Planting(Fault.parse("always:Z5"), "stronger")
    diagnosis = diagnose(boot(other, always, board=board, cycles=3000))
    named = [members(suspect) for suspect in diagnosis.suspects]
    assert "always:Z5" in named[0]
    assert "content:Z5" in named[1]


def test_beside_another_revision_its_bytes_speak_for_no_second_fault():
    """Its program may be moved by some bytes, as by an address line of the ROM."""
    board = as_described(tide_gauge(), Nuisances(other_revision="U5"), 8)
    evidence = gather(read(run("plane:U4.3", seed=5, cycles=4000), board=board, seed=5))
    given = Assumption(loose=evidence.replay.chips.index("U5"))
    before = evidence.replay.replay(given)
    wrong = evidence.replay.replay(given, WRONG_ONLY).total
    picked = [
        Scored(h, 50.0, 0, False)
        for h in enumerate_hypotheses(evidence)
        if str(h.fault) in ("plane:U4.3", "open:A2@U5")
    ]
    assert len({each.hypothesis.fault for each in picked}) == 2
    left = several._beside_content(evidence, picked, given, before, wrong)
    assert {str(each.hypothesis.fault) for each in left} == {"plane:U4.3"}


def test_a_byte_that_a_rom_gives_wrong_is_told_beside_a_fault_that_leaves_much_noise(monkeypatch):
    """The RAM is mute, and what it leaves the CPU with is no program."""
    faults = "silent:U4", Planting(Fault.parse("content:U5"), "rot")
    reading = boot(*faults, seed=1, cycles=3000, undriven="high")
    first, *others = diagnose(reading).suspects
    assert "silent:U4" in members(first)
    assert any("content:U5" in members(suspect) for suspect in others)
    monkeypatch.setattr(several, "_at_roms", lambda *_: [])
    assert not any("content:U5" in members(suspect) for suspect in diagnose(reading).suspects)


@pytest.mark.parametrize(
    ("clip", "way"), [("A2", "inverted"), ("A6", "inverted"), ("D3", "high"), ("D0", "low")]
)
def test_a_clip_that_is_surely_off_stands_before_another_revision(clip, way):
    """It costs nothing to seat it again, and the program runs well with the ROM as it is."""
    diagnosis = revised(Planting(Fault.parse(f"clip:{clip}"), way))
    assert first_class(diagnosis) == {f"clip:{clip}"}
    assert any("content:U5" in members(suspect) for suspect in diagnosis.suspects[1:])


@pytest.mark.parametrize(("chip", "seed"), [("U6", 3), ("U5", 2), ("U4", 4)])
def test_a_chip_that_is_stronger_than_some_others_is_named(chip, seed):
    """It always drives, and wins against RAM alone, against ROM alone, or against both."""
    fault = f"always:{chip}"
    reading = boot(Planting(Fault.parse(fault), "stronger"), seed=seed, cycles=3000)
    assert fault in first_class(diagnose(reading))


@pytest.mark.parametrize(
    ("planting", "named"),
    [
        (Planting(Fault.parse("reset:held"), "plain", Occurrence(0, 0.1, 64)), "reset:held"),
        (Planting(Fault.parse("reset:repeats"), "plain"), "reset:repeats"),
        (Planting(Fault.parse("reset:repeats"), "plain", Occurrence(0, 0.4, 8)), "reset:repeats"),
    ],
)
def test_a_reset_at_no_steady_pace_is_no_watchdogs(planting, named):
    """But for pauses that are multiples of one: of a watchdog that is fed now and then."""
    diagnosis = diagnose(boot(planting, cycles=20_000))
    assert named in first_class(diagnosis)
    assert "falls again" in diagnosis.suspects[0].check


def ranks(diagnosis, plantings):
    """Where each planted fault is named, from 1 on; 0 for nowhere."""
    classes = [members(suspect) for suspect in diagnosis.suspects]
    faults = [str(planting.fault) for planting in plantings]
    return [next((k for k, c in enumerate(classes, 1) if f in c), 0) for f in faults]


@pytest.mark.parametrize("seed", [1, 2])
def test_two_faults_stand_before_one_that_acts_like_both(seed):
    """Alone each of the two explains much less than a chip that drives now and then would."""
    two = Planting(Fault.parse("content:U2"), "revision"), Planting(Fault.parse("always:U2"), "low")
    kiln = load_board(FIXTURES / "kiln_control" / "board.toml")
    diagnosis = diagnose(boot(*two, board=kiln, seed=seed, cycles=3000))
    assert sorted(ranks(diagnosis, two)) == [1, 2]


def test_a_fault_that_explains_more_with_a_second_stands_before_the_likeliest_alone():
    """Any content explains a ROM's bytes; RAM in its socket explains them and one line more."""
    two = Planting(Fault.parse("swapped:U4+U5")), Planting(Fault.parse("open:D3@behind"))
    assert ranks(diagnose(boot(*two, seed=1, cycles=4000)), two) == [1, 2]


def test_a_second_fault_that_leaves_nothing_wrong_needs_fewer_bits():
    two = Planting(Fault.parse("content:U5"), "revision"), Planting(Fault.parse("always:U5"), "low")
    diagnosis = diagnose(boot(*two, seed=1, cycles=3000))
    assert ranks(diagnosis, two) == [1, 2]
    assert all(suspect.probability >= 0.5 for suspect in diagnosis.suspects[:2])


def test_one_more_fault_that_explains_one_wrong_level_is_one_that_may_be_there():
    two = Planting(Fault.parse("plane:U4.3"), "high"), Planting(Fault.parse("cell:U4.01FF.5=0"))
    diagnosis = diagnose(boot(*two, seed=1, cycles=1500))
    assert ranks(diagnosis, two) == [1, 2]
    assert diagnosis.suspects[0].probability > 0.5 > diagnosis.suspects[1].probability


def test_one_more_fault_that_makes_unknown_bytes_likelier_may_be_there_where_a_rom_is_known():
    two = Planting(Fault.parse("silent:U4"), "late"), Planting(Fault.parse("plane:U4.4"), "low")
    diagnosis = diagnose(boot(*two, seed=1, cycles=1500))
    assert ranks(diagnosis, two) == [1, 2]
    assert diagnosis.suspects[0].probability > 0.5 > diagnosis.suspects[1].probability


def test_beside_what_a_line_shows_the_board_is_weighed_and_nothing_more_need_be_wrong(monkeypatch):
    """IRQ is held: what else may be wrong stands behind it."""
    (group,) = chain(12)
    besides = replace(group, probability=0.3)
    monkeypatch.setattr(
        sys.modules["bustrace.diagnosis.diagnose"],
        "weigh_besides",
        lambda evidence: (besides,),
    )
    first, second = diagnose(boot("held:IRQ=0", seed=1, cycles=1500)).suspects
    assert "held:IRQ=0" in members(first)
    assert second.fault == group.fault
    assert second.probability == besides.probability


def test_nothing_more_is_as_likely_as_a_fault_that_explains_as_much_as_its_prior_costs():
    hypothesis = Hypothesis(Fault.parse("silent:U4"), Assumption(silent=1), "silent", -9.0)
    scored = [Scored(hypothesis, 9.0, 0, sometimes=False)]
    (alone,) = groups_of(scored, 0.0, 0.8)
    (beside,) = groups_of(scored, 0.0, 0.8, besides=True)
    assert alone.probability > 0.7
    assert 0.35 < beside.probability < 0.45


def test_what_keeps_the_cpu_waiting_stands_before_what_is_wrong_with_its_bytes():
    two = (
        Planting(Fault.parse("short:D3+RDY@bus"), "low"),
        Planting(Fault.parse("plane:U5.1"), "high"),
    )
    first, second = diagnose(boot(*two, seed=4, cycles=1200)).suspects[:2]
    assert "rdy-held" in first.explains
    assert "D1" in second.fault.lines
    assert first.probability < second.probability


def chain(*bits):
    """Faults beside each other that explain so many bits, priors included."""
    fault = Fault.parse("silent:U4")
    return [Weighed(fault, (), gain, 0.8, 0, False, Assumption(silent=1), 0.0) for gain in bits]


def test_each_fault_more_must_explain_much_but_as_many_are_compared_by_what_they_explain():
    assert worth(chain(100, TOGETHER + 1)) > worth(chain(100)) == worth(chain(100, TOGETHER - 1))
    assert worth(chain(60, 100)) > worth(chain(100, 55))
    assert worth(chain(100, 60, 39)) == worth(chain(100, 60))


CONTENT = Fault.parse("content:U5")


class HalfTheCycles:
    """Ten cycles with 40 bits each on a sound board. One fault explains every other cycle, and
    speaks against the rest; the other explains a quarter of each.
    """

    chips = ("U5",)
    wrong = 0.0
    healthy = SimpleNamespace(cost=np.full(10, 40.0, np.float32), total=400.0)
    there, lasts = Assumption(silent=1), Assumption(silent=2)

    def has_image(self, ref):
        return True

    def early_cost(self, assumption, cycles):
        return self.healthy.cost

    def replay(self, assumption, *prices, **options):
        cost = np.tile([0, 80], 5) if assumption == self.there else np.full(10, 30)
        return SimpleNamespace(cost=cost.astype(np.float32), total=float(cost.sum()), written_to=0)


@pytest.mark.parametrize(("comes_and_goes", "others"), [(True, 0), (False, 2)])
def test_a_fault_that_comes_and_goes_is_credited_with_all_it_explains(
    monkeypatch, comes_and_goes, others
):
    """It is worth 120 bits, with all that it explains 170; the others together 150."""
    (second,) = chain(90)
    monkeypatch.setattr("bustrace.diagnosis.several.further", lambda *given: ([second], []))
    evidence = SimpleNamespace(replay=HalfTheCycles(), heard=0, n=10)
    likeliest = replace(
        *chain(120), fault=CONTENT, sometimes=comes_and_goes, assumption=HalfTheCycles.there
    )
    other = replace(*chain(100), assumption=HalfTheCycles.lasts)
    assert len(instead_of(evidence, [], [other], [likeliest])[0]) == others


def test_another_fault_before_the_likeliest_is_nothing_in_its_place(monkeypatch):
    likeliest = replace(*chain(120), fault=CONTENT, assumption=HalfTheCycles.there)
    second = replace(*chain(190), fault=CONTENT)
    monkeypatch.setattr("bustrace.diagnosis.several.further", lambda *given: ([second], []))
    evidence = SimpleNamespace(replay=HalfTheCycles(), heard=0, n=10)
    other = replace(*chain(100), assumption=HalfTheCycles.lasts)
    assert instead_of(evidence, [], [other], [likeliest])[0] == []


def test_the_last_fault_with_which_nothing_wrong_is_left_needs_no_more_than_any_last_one():
    assert worth(chain(100, 30)) == 100
    assert worth(chain(100, 30), LAST_FAULT_WORTH) == 130 - LAST_FAULT_WORTH


class OneThatHalfFits(HalfTheCycles):
    """One fault explains every other cycle, and speaks against the rest; all others explain a
    little.
    """

    def early_cost(self, assumption, cycles):
        cost = np.tile([0, 80], 5) if assumption == self.there else np.full(10, 38)
        return cost.astype(np.float32)


def test_a_fault_that_explains_nothing_alone_may_be_one_of_two_that_explain_all(monkeypatch):
    (second,) = chain(390)
    faults = Fault.parse("swapped:U4+U5"), Fault.parse("silent:U4")
    hypotheses = [
        Hypothesis(fault, does, fault.family, -5.0)
        for fault, does in zip(faults, (OneThatHalfFits.there, OneThatHalfFits.lasts), strict=True)
    ]
    monkeypatch.setattr(
        "bustrace.diagnosis.several.further",
        lambda evidence, hypotheses, first, wanted: (
            ([second], []) if first.fault == faults[0] else ([], [])
        ),
    )
    itself = SimpleNamespace(stand_in=lambda assumption: assumption)
    monkeypatch.setattr("bustrace.diagnosis.several.same_answers", lambda _: itself)
    evidence = SimpleNamespace(replay=OneThatHalfFits(), heard=0, n=10)
    likeliest = replace(*chain(300), fault=CONTENT, assumption=Assumption(silent=4))
    several, ahead = instead_of(evidence, hypotheses, [], [likeliest])
    assert [each.fault for each in several] == [faults[0], second.fault]
    assert ahead > 0


@pytest.mark.parametrize(("ahead", "lead"), [(-4.0, False), (4.0, True)])
def test_two_that_are_nearly_as_good_as_one_stand_behind_it(monkeypatch, ahead, lead):
    pair = [
        Weighed(Fault.parse(name), (), 50.0, 0.8, 0, False, Assumption(silent=1), -9.0)
        for name in ("silent:U6", "register:U6")
    ]
    monkeypatch.setattr("bustrace.diagnosis.weighing.instead_of", lambda *given: (pair, ahead))
    groups = weigh(observe(boot("plane:U4.3", seed=1, cycles=1500)).evidence)
    order = [group.fault for group in groups]
    one = Fault.parse("plane:U4.3")
    assert order[:2] == [each.fault for each in pair] if lead else order[0] == one
    assert {each.fault for each in pair} <= set(order[:3])
    assert groups[0].probability > groups[2].probability


def test_two_faults_at_one_chip_are_joined_and_the_low_level_wins():
    one = Assumption(data_pin_chip=1, data_pin_or=0xFF)
    other = Assumption(data_pin_chip=1, data_pin_and=0xF7)
    both = Assumption(data_pin_chip=1, data_pin_and=0xF7, data_pin_or=0xF7)
    assert join(one, other) == join(other, one) == both
    assert join(one, other._replace(data_pin_chip=2)) is None


def test_who_wins_on_a_line_is_told_once():
    """A chip that is stronger than another says nothing of a third that drives along."""
    stronger = Assumption(doubled=1, doubled_by=0, fight=FIRST_WINS, strong=0)
    assert join(stronger, Assumption(always=0b100)) is None
    assert join(stronger, Assumption(always=0b001)) is not None
    assert join(Assumption(always=0b001), Assumption(always=0b100)) is not None


AGAIN = {"cycles": 1500, "reset_low": ((0, 12), (700, 720))}


def test_a_reset_that_comes_once_more_is_told_on_a_board_that_is_ill():
    suspects = diagnose(boot("plane:U4.3", **AGAIN)).suspects
    assert "plane:U4.3" in members(suspects[0])
    (again,) = (s for s in suspects if "reset:repeats" in members(s))
    assert again.probability < 0.5
    assert any("button" in against for against in again.against)


def test_a_reset_that_comes_once_more_by_itself_is_a_finger():
    assert not diagnose(boot(**AGAIN)).suspects


def test_reset_that_is_pulled_in_single_cycles_from_the_start_is_told():
    """It is never high for long: no release stands out."""
    pulled = Planting(Fault.parse("reset:held"), "plain", Occurrence(0, 0.4, 1))
    assert "reset:held" in first_class(diagnose(boot(pulled)))


@pytest.mark.parametrize("start", [0, 3000])
def test_ready_held_low_is_told_while_a_display_takes_the_bus(start):
    """The address moves, but not by the CPU's doing."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    record = run("held:RDY=0", board=board, cycles=6000, display=Display(200, 32, 0x0400, 24, 50))
    assert "held:RDY=0" in first_class(diagnose(read(record, start_cycle=start)))


def found_at(rule, *cycles):
    return SimpleNamespace(rule=rule, cycles=cycles)


def content_differs(count=50):
    return SimpleNamespace(
        rule="rom-content", count=count, opportunities=100, chips=("U5",), cycles=(7,)
    )


def in_order(other, *rules, differ=50):
    """What stays of a ROM that is told at 80 % where so much of it differs, and beside another.

    Rules stand alone or with the cycles in which they were seen.
    """
    much = content_differs(differ)
    findings = [much, *(found_at(*((rule,) if isinstance(rule, str) else rule)) for rule in rules)]
    board = tide_gauge()
    rom = suspected(Fault.parse("content:U5"), 0.8, ("rom-content",), board)
    suspects = [rom, *([suspected(*other, board)] if other else [])]
    seen = SimpleNamespace(findings=findings)
    return perhaps_revised(seen, suspects)[0].probability


RAM = (Fault.parse("silent:U4"), 0.75, ("ram-content",))


@pytest.mark.parametrize(
    ("other", "rules", "left"),
    [
        (None, (), 0.8),
        ((Fault.parse("silent:U6"), 0.75, ("io-content",)), (), 0.2),
        ((Fault.parse("silent:U6"), 0.4, ("io-content",)), (), 0.8),  # not likely itself
        ((Fault.parse("silent:U6"), 0.75, ("cpu-jam",)), ("cpu-jam",), 0.2),
        ((Fault.parse("silent:U6"), 0.75, ()), ("cpu-jam",), 0.8),  # what no program does
        ((Fault.parse("silent:U6"), 0.75, ("io-content",)), ("program-lost",), 0.2),
        ((Fault.parse("clip:D3"), 0.75, ("clip-off",)), ("cpu-jam",), 0.2),  # or it seems to
        (RAM, (("ram-content", 40), ("cpu-jam", 90)), 0.2),  # by what the RAM gave before
        (RAM, (("ram-content", 90), ("cpu-jam", 40)), 0.8),
    ],
)
def test_a_likely_fault_leaves_to_another_revision_what_it_leaves_open(other, rules, left):
    assert in_order(other, *rules) == pytest.approx(left)


@pytest.mark.parametrize(("rule", "left"), [("line-stuck", 0.2), ("ram-content", 0.8)])
def test_a_line_that_never_moves_stands_before_a_rom_of_which_little_differs(rule, left):
    other = (Fault.parse("stuck:D5=1@bus"), 0.75, (rule,))
    assert in_order(other, differ=5) == pytest.approx(left)


def test_a_rom_with_which_the_program_is_lost_is_not_said_to_run_well():
    board = tide_gauge()
    much = content_differs()
    rom = suspected(Fault.parse("content:U5"), 0.8, ("rom-content",), board)
    for rules, said in (((), True), (("program-lost",), False)):
        seen = SimpleNamespace(findings=[much, *map(found_at, rules)])
        (suspect,) = perhaps_revised(seen, [rom])
        assert any("revision" in against for against in suspect.against) is said
