"""Faults that are not always there, or not in the same way: forgetting, turns, contacts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot, read, tide_gauge

from bustrace.diagnosis import Diagnosis, diagnose
from bustrace.diagnosis.gains import _pace, _sometimes, gain_of, onset_price, score, whole_gain
from bustrace.diagnosis.hypotheses import enumerate_hypotheses
from bustrace.drill import Occurrence, Planting, simulate
from bustrace.faults import Fault
from bustrace.findings import (
    HEALTHY,
    SOMETIMES_PRICE,
    SOMETIMES_SHARE,
    Assumption,
    NowAndThen,
    gather,
    sole_driver,
)


def judged(fault: str, variant: str, seed: int, when: Occurrence | None = None) -> Diagnosis:
    planting = Planting(Fault.parse(fault), variant, when or Occurrence())
    record = simulate(tide_gauge(), cycles=5000, faults=[planting], seed=seed)
    return diagnose(read(record, seed=seed))


def first_class(diagnosis: Diagnosis) -> list[str]:
    first = diagnosis.suspects[0]
    return [str(fault) for fault in (first.fault, *first.alike)]


@pytest.mark.slow
def test_ram_that_loses_what_was_not_used_for_long_is_said_to_forget():
    diagnosis = judged("retention:U4", "plain", 3)
    assert first_class(diagnosis) == ["retention:U4"]


@pytest.mark.slow
def test_two_drivers_of_which_now_one_wins_and_now_the_other_are_seen_as_two():
    diagnosis = judged("always:U5", "marginal", 2)
    assert "always:U5" in first_class(diagnosis)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "way", "when"),
    [
        ("content:U5", "rot", Occurrence()),
        ("always:U6", "marginal", Occurrence()),
        ("stuck:D4=0@read", "plain", Occurrence(0, 0.1, 8)),
    ],
)
def test_another_content_is_not_credited_with_bytes_that_change(fault, way, when):
    """A ROM of another content gives the same byte each time."""
    evidence = gather(boot(Planting(Fault.parse(fault), way, when), cycles=5000, seed=2))
    replay = evidence.replay
    content = Assumption(loose=replay.chips.index("U5"))
    answers = replay.replay(content)
    not_credited = replay.healthy.total - answers.total - whole_gain(evidence, answers, content)
    if fault == "content:U5":
        assert not_credited == pytest.approx(0)
    else:
        assert not_credited > 8


@pytest.mark.slow
def test_one_more_fault_may_come_and_go_beside_what_is_given():
    contact = Planting(Fault.parse("stuck:A3=1@U5"), "plain", Occurrence(0, 0.1, 8))
    evidence = gather(boot(contact, seed=2, cycles=4000))
    given = Assumption(io_ill=evidence.replay.chips.index("U6"))
    scored = score(evidence, enumerate_hypotheses(evidence), given, 8.0)
    told = [each for each in scored if each.hypothesis.fault == contact.fault]
    assert told
    assert all(each.sometimes for each in told)


@pytest.mark.slow
def test_a_contact_that_comes_and_goes_is_named_and_said_to_do_so():
    when = Occurrence(0, 0.1, 8)
    diagnosis = judged("stuck:D4=0@read", "plain", 2, when)
    assert "stuck:D4=0@read" in first_class(diagnosis)
    assert any("comes and goes" in text for text in diagnosis.suspects[0].against)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "variant"),
    [
        ("clip:A2", "inverted"),
        ("clip:A3", "exchanged"),
        ("clip:A8", "exchanged"),  # of another level in one cycle of forty
        ("clip:D2", "inverted"),
        ("clip:D4", "exchanged"),
        ("clip:RES", "high"),
        ("clip:CS_U5", "high"),
    ],
)
def test_a_clip_that_shows_something_else_is_the_only_suspect(fault, variant):
    diagnosis = judged(fault, variant, 2)
    assert fault in {str(suspect.fault) for suspect in diagnosis.suspects}
    assert {suspect.fault.family for suspect in diagnosis.suspects} == {"clip"}
    assert diagnosis.verdict != "fault"


def test_what_comes_and_goes_gets_no_credit_for_what_tells_nothing():
    """Hundreds of reads that are a little likelier with it than without: it may be away in them."""
    evidence = gather(boot(cycles=900))
    healthy = evidence.replay.healthy
    cost = healthy.cost.copy()
    cost[500:502] += -20.0, 20.0
    plain = _sometimes(evidence, healthy, replace(healthy, cost=cost))
    assert plain == pytest.approx(SOMETIMES_SHARE * 20.0 - 2.0 - SOMETIMES_PRICE)
    cost[600:900] -= 0.4
    assert _sometimes(evidence, healthy, replace(healthy, cost=cost)) == pytest.approx(plain)


def test_bytes_of_a_rom_of_another_content_tell_nothing_of_what_comes_and_goes():
    """It would be there wherever it makes one of them right by chance."""
    evidence = gather(boot(cycles=900))
    healthy, rom = evidence.replay.healthy, evidence.replay.chips.index("U5")
    mine = sole_driver(evidence, rom)
    for reads, tells in ((mine, False), (~mine & evidence.live, True)):
        cost = healthy.cost.copy()
        cost[np.flatnonzero(reads)[-2:]] += -40.0, 40.0
        other = replace(healthy, cost=cost)
        assert _sometimes(evidence, healthy, other) > 5.0
        assert _sometimes(evidence, healthy, other, rom) == (
            _sometimes(evidence, healthy, other) if tells else 0.0
        )


def _anything(evidence):
    """Any fault that comes and goes."""
    healthy = evidence.replay.healthy
    everything = np.ones(evidence.n, dtype=np.bool_)
    return NowAndThen(healthy.cost, everything, healthy.total, float(healthy.cost.max()), -np.inf)


def test_what_is_cut_short_would_not_have_stayed():
    """A replay stops only where neither a fault that lasts nor one that comes and goes can come to
    what is asked for; and so for nearly all of many hypotheses it stops.
    """
    contact = Planting(Fault.parse("stuck:A3=1@U5"), "plain", Occurrence(0, 0.1, 8))
    evidence = gather(boot(contact, seed=2, cycles=1200))
    replay, anything = evidence.replay, _anything(evidence)
    cut = sometimes_only = 0
    for assumption in {h.assumption for h in enumerate_hypotheses(evidence)}:
        answers = replay.replay(assumption)
        now_and_then = _sometimes(evidence, replay.healthy, answers)
        for least in (10.0, 20.0, 40.0, 80.0):
            lasting, _ = gain_of(evidence, answers, assumption, HEALTHY, least)
            wanted = anything._replace(least=least)
            price = onset_price(assumption)
            if replay.replay_while(assumption, least, price, wanted) is None:
                cut += 1
                assert max(lasting, now_and_then) < least
            elif lasting < least <= now_and_then:
                sometimes_only += 1
    assert cut > 0
    assert sometimes_only > 0


def test_a_replay_stops_where_it_falls_far_behind_the_likeliest():
    """Its own pace it keeps; a fault that explains nothing of it does not."""
    evidence = gather(boot("open:A3@U5", seed=2, cycles=1200))
    replay, hypotheses = evidence.replay, enumerate_hypotheses(evidence)
    best = max(score(evidence, hypotheses, HEALTHY, 5.0), key=lambda scored: scored.gain)
    assert best.gain > 100
    truth = best.hypothesis.assumption
    pace = _pace(replay.healthy.cost - replay.replay(truth).cost, best.gain)
    anything = _anything(evidence)
    assert replay.replay_while(truth, -np.inf, 0.0, anything, pace) is not None
    other = next(h.assumption for h in hypotheses if str(h.fault) == "stuck:A7=0@U4")
    assert replay.replay_while(other, -np.inf, 0.0, anything, pace) is None
    assert replay.replay_while(other, -np.inf, 0.0, anything) is not None
