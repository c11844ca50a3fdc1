"""Cases with faults that show themselves in other ways, now and then, on ugly benches."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from bustrace.campaign import draw_case, made_up_io_board, make_case
from bustrace.campaign.boards import faults_of, loaded
from bustrace.campaign.cases import draw_plantings, lines_of, make_ugly
from bustrace.campaign.oracle import Oracle
from bustrace.campaign.playing import play_case
from bustrace.campaign.seen import seen_on
from bustrace.drill import ALWAYS, Nuisances, Occurrence, Planting, variants_of
from bustrace.faults import Fault


@pytest.mark.slow
def test_planted_cases_have_every_way_and_some_come_and_go(plan):
    cases = [draw_case(plan, "planted", number) for number in range(250)]
    drawn = [planting for case in cases for planting in case.plantings]
    families = {planting.fault.family for planting in drawn}
    assert {"retention", "register", "cpu", "short"} <= families
    for family in ("clip", "silent", "content", "cell", "short", "always"):
        ways = Counter(p.variant for p in drawn if p.fault.family == family)
        assert len(ways) > 1, family
    lasting = sum(planting.when.permanent for planting in drawn)
    assert 0.75 < lasting / len(drawn) < 0.95
    assert any(p.when.onset and p.when.activity < 1 for p in drawn)


@pytest.mark.slow
def test_every_drawn_way_can_be_planted(tide_gauge):
    board, rng = loaded(tide_gauge), np.random.default_rng(3)
    among = faults_of(tide_gauge)
    for place in rng.choice(len(among), 80, replace=False):
        drawn = draw_plantings(rng, board, [among[place]], 200)
        make_case(tide_gauge, drawn, line_set="all", cycles=60, nuisances=False, seed=1).run(
            [drawn[0].fault]
        )


def test_a_case_runs_its_faults_in_their_ways(tide_gauge):
    when = Occurrence(onset=100, activity=0.5, burst=4)
    planting = Planting(Fault.parse("clip:A3"), "inverted", when)
    case = make_case(tide_gauge, [planting], line_set="all", cycles=400, nuisances=False, seed=1)
    assert case.faults == (planting.fault,)
    run, healthy = case.run(case.faults), case.run(())
    acts = when.acts(400, 1)
    assert np.array_equal(run.clip_address ^ healthy.clip_address, acts.astype(np.uint16) << 3)


@pytest.mark.slow
def test_an_oracle_class_has_what_shows_the_same_in_any_way_in_the_same_cycles(tide_gauge):
    """A clip of A2 exchanged with A3 is a clip of A3 exchanged with A2."""
    when = Occurrence(activity=0.3, burst=8)
    planting = Planting(Fault.parse("clip:A2"), "exchanged", when)
    case = make_case(tide_gauge, [planting], line_set="all", cycles=1500, nuisances=False, seed=2)
    lines = lines_of(case.run((), cycles=1), "all")
    true, healthy = (seen_on(case.run(faults), lines) for faults in (case.faults, ()))
    oracle = Oracle(case, case.faults, lines, true, healthy)
    assert oracle.alike(planting.fault, Fault.parse("clip:A3"))
    assert not oracle.alike(planting.fault, Fault.parse("clip:A4"))


def oracle_for(files, planting):
    case = make_case(files, [planting], line_set="all", cycles=1500, nuisances=False, seed=2)
    lines = lines_of(case.run((), cycles=1), "all")
    true, healthy = (seen_on(case.run(faults), lines) for faults in (case.faults, ()))
    return Oracle(case, case.faults, lines, true, healthy)


@pytest.mark.slow
@pytest.mark.parametrize("stronger", ["A1", "A4"])
def test_whichever_line_of_a_short_is_the_stronger_its_neighbour_can_have_it_so_too(
    tide_gauge, stronger
):
    """The CPU's pin and the bus are one net, so where the lines touch cannot be told."""
    fault, elsewhere = Fault.parse("short:A1+A4@bus"), Fault.parse("short:A1+A4@cpu")
    oracle = oracle_for(tide_gauge, Planting(fault, stronger))
    assert len(oracle.changed)
    assert oracle.alike(fault, elsewhere)


@pytest.mark.slow
@pytest.mark.parametrize("wins", ["low", "high", "marginal"])
def test_a_chip_that_drives_unasked_looks_like_one_whose_select_is_always_active(tide_gauge, wins):
    """Two chips that drive one line make of it the same, whyever both do; a ROM takes no writes."""
    fault = Fault.parse("always:U5")
    oracle = oracle_for(tide_gauge, Planting(fault, wins))
    assert len(oracle.changed)
    assert oracle.alike(fault, Fault.parse("stuck:CS_U5=0@U5"))
    assert not oracle.alike(fault, Fault.parse("stuck:CS_U5=1@U5"))


def test_what_comes_and_goes_may_look_like_what_is_always_there(tide_gauge):
    when = Occurrence(activity=0.9, burst=8)
    truth, named = Fault.parse("open:A1@U4"), Fault.parse("stuck:A1=1@U4")
    oracle = oracle_for(tide_gauge, Planting(truth, when=when))
    tried = [planting for (planting,) in oracle._instead(truth, named)]
    assert [planting.when for planting in tried] == [when, ALWAYS]


def test_a_case_leaves_no_level_to_chance(tide_gauge):
    faults = [Fault.parse(text) for text in ("clip:A3", "plane:U4.3")]
    how = {"line_set": "all", "cycles": 300, "nuisances": False}
    drawn = [make_case(tide_gauge, faults, seed=seed, **how).plantings for seed in range(12)]
    assert {p.variant for pair in drawn for p in pair} == {"low", "high"}
    case = make_case(tide_gauge, faults, seed=5, **how)
    alone = [planting.variant for fault in faults for planting in [case.planting_of(fault)]]
    assert alone == [planting.variant for planting in case.plantings]


@pytest.mark.slow
def test_a_made_up_board_with_io_has_its_registers_among_the_faults():
    files = made_up_io_board(3)
    board = loaded(files)
    sick = [fault for fault in faults_of(files) if fault.family == "register"]
    assert len(sick) == len(board.mapped) - 2
    assert all("deaf" in variants_of(board, fault) for fault in sick)


# ---- nuisances


@pytest.mark.slow
def test_healthy_boots_have_every_nuisance(plan):
    cases = [draw_case(plan, "healthy", number) for number in range(150)]
    plain = Nuisances()
    ugly = [case.conditions.ugly for case in cases if case.nuisances]
    assert all(case.conditions.ugly == plain for case in cases if not case.nuisances)
    for name in Nuisances.__dataclass_fields__:
        assert len({getattr(one, name) for one in ugly}) > 1, name
    assert {case.line_set for case in cases} >= {"16", "24"}
    assert any(case.conditions.start for case in cases)
    assert any(case.files.name.startswith("made-up io") for case in cases)


def test_the_judge_is_told_the_board_file_and_not_the_board(tide_gauge):
    def described(seed):
        case = make_case(
            tide_gauge, (), line_set="all", cycles=1500, nuisances=True, seed=seed, kind="healthy"
        )
        ugly = make_ugly(case)
        return ugly.conditions.ugly, ugly.described(), loaded(tide_gauge)

    seen = set()
    for seed in range(60):
        ugly, told, true = described(seed)
        if ugly.left_out:
            assert ugly.left_out not in told.map.chips
            seen.add("left out")
        if ugly.other_revision:
            first = told.chip(ugly.other_revision).images[0]
            assert first.sha256 != true.chip(ugly.other_revision).images[0].sha256
            seen.add("revision")
        if ugly.left_out is None and ugly.other_revision is None:
            assert told.map.chips == true.map.chips
    assert seen == {"left out", "revision"}


@pytest.mark.slow
def test_to_say_that_a_rom_is_of_another_revision_is_no_false_alarm(tide_gauge):
    case = make_case(
        tide_gauge, (), line_set="all", cycles=5000, nuisances=False, seed=3, kind="healthy"
    )
    ugly = replace(case.conditions, ugly=Nuisances(other_revision="U5"))
    told = play_case(replace(case, conditions=ugly))
    assert told["alarms"] == []
