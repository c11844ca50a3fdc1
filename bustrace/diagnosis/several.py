"""Several faults: one more beside the likeliest, or two others in its place.

With one taken as given, all hypotheses are weighed again. What acts like both of two is easily the
likeliest alone, so others are tried first, too.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.gains import ONSET_PRICE, score, whole_gain
from bustrace.diagnosis.grouping import Weighed, groups_of, knows_a_rom, listed
from bustrace.diagnosis.hypotheses import Hypothesis
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.model import LIKELY
from bustrace.findings import HEALTHY, WRONG_ONLY, Assumption, Evidence

SECOND_FAULT_GAIN = 40.0
"""Bits that one more fault must explain beyond the first: the noise of a program that runs wild is
explained a little by many things."""

SECOND_FAULT_SHARE = 0.05
"""And so much of what the first explains: where that is large, so is what its model leaves over."""

BESIDE_CONTENT = 20.0
"""Bits that a second fault must explain beside a ROM of another content."""

LAST_FAULT_GAIN, LAST_FAULT_LEAVES = 20.0, 0.1
"""Bits that are enough for one more fault with which hardly anything wrong is left, and the share
of the wrong levels before it that it may leave: noise is not explained so well."""

TOGETHER = 40.0
"""Bits, priors included, by which two faults must explain more than the likeliest one and what is
named beside it, to stand in their place: as much as a further fault must explain."""

STARTS = 2
"""Groups behind the likeliest that are each tried as the first of several."""

MOST_PAIRED, PAIRED_CYCLES = 64, 8_000
"""Hypotheses of which each is tried with each, and cycles that tell which these are: in a long
capture there is time for no more."""

PAIRS_TRIED = 40
"""Pairs that are replayed."""

MAX_FAULTS = 3


def _weight(chain: list[Weighed]) -> float:
    """Bits for several faults that are there together, priors included."""
    return sum(group.gain + group.prior_bits for group in chain)


def better_together(
    evidence: Evidence, hypotheses: list[Hypothesis], groups: list[Weighed], chosen: list[Weighed]
) -> list[Weighed]:
    """Two faults or more of which none is the likeliest alone, where together they explain more
    than what was `chosen` by far: what acts like both of two is easily the likeliest one. Else
    none, and where no ROM has an image: among so much that is unknown some two explain anything.
    """
    if not knows_a_rom(evidence):
        return []
    weight, best = _weight(chosen), []
    if evidence.replay.healthy.total - sum(group.gain for group in chosen) < TOGETHER:
        return []  # nothing is left that others could explain
    tried = {chosen[0].assumption}
    for group in (*groups[:STARTS], *_parts(evidence, hypotheses, weight + TOGETHER)):
        if group.assumption in tried:
            continue
        tried.add(group.assumption)
        # Together they are as sure as any, however unlikely each is alone.
        answers = evidence.replay.replay(group.assumption, first=group.onset)
        gain = whole_gain(evidence, answers, group.assumption)
        gain -= ONSET_PRICE if group.onset else 0.0
        first = replace(group, gain=gain, sometimes=False, probability=listed(evidence))
        wanted = weight + TOGETHER - _weight([first])
        chain = [first, *further(evidence, hypotheses, first, wanted)]
        if len(chain) > 1 and _weight(chain) >= weight + TOGETHER:
            best, weight = chain, _weight(chain)
    return best


def _parts(evidence: Evidence, hypotheses: list[Hypothesis], least: float) -> Iterator[Weighed]:
    """The larger fault of the pair that explains most together, if that comes to `least` bits,
    priors included, though each may be far from the likeliest alone. Its own gain is left open.

    What two explain together is first taken for what either explains, cycle by cycle.
    """
    replay = evidence.replay
    healthy = replay.early_cost(HEALTHY, PAIRED_CYCLES)
    most = float(healthy.sum(dtype=np.float64)) - SECOND_FAULT_GAIN
    found: dict[Assumption, tuple[Hypothesis, npt.NDArray[np.float32]]] = {}
    for each in sorted(hypotheses, key=lambda h: -h.prior_bits):
        if each.assumption not in found:
            found[each.assumption] = each, replay.early_cost(each.assumption, PAIRED_CYCLES)
    ranked = sorted(
        (float(cost.sum(dtype=np.float64)) - each.prior_bits, place)
        for place, (each, cost) in enumerate(found.values())
        if cost.sum(dtype=np.float64) <= most
    )
    told = list(found.values())
    pool = [told[place] for _, place in ranked[:MOST_PAIRED]]
    if len(pool) < 2:
        return
    prior = np.array([each.prior_bits for each, _ in pool])
    costs = np.stack([cost for _, cost in pool])
    costs = costs[:, (costs != 0).any(axis=0)]
    pairs = []
    for i, mine in enumerate(costs[:-1]):
        left = np.minimum(mine, costs[i + 1 :]).sum(axis=1, dtype=np.float64)
        bits = prior[i] + prior[i + 1 :] - left
        pairs += [(float(each), i, i + 1 + j) for j, each in enumerate(bits)]
    best = None
    for _, i, j in sorted(pairs, key=lambda pair: -pair[0])[:PAIRS_TRIED]:
        joined = join(pool[i][0].assumption, pool[j][0].assumption)
        if joined is None:
            continue
        bits = whole_gain(evidence, replay.replay(joined), joined) + prior[i] + prior[j]
        if bits >= least:
            best, least = pool[i][0], bits
    if best is not None:
        alike = tuple(
            h.fault for h in hypotheses if h.assumption == best.assumption and h.fault != best.fault
        )
        yield Weighed(best.fault, alike, 0.0, 1.0, 0, False, best.assumption, best.prior_bits)


def further(
    evidence: Evidence, hypotheses: list[Hypothesis], first: Weighed, wanted: float = 0.0
) -> Iterator[Weighed]:
    """More faults: several things are often wrong at once. With the likeliest taken as given, does
    one more explain much of what is left, wrong bits among it?

    The second must explain `wanted` bits at least.
    """
    given, named = first.assumption, first.members
    certainty = first.probability
    sure = listed(evidence)
    floor = max(SECOND_FAULT_GAIN, SECOND_FAULT_SHARE * first.gain)
    if wanted:  # held against another explanation, what its own model leaves does not matter
        floor = SECOND_FAULT_GAIN
    if given.loose >= 0:
        floor = BESIDE_CONTENT  # another content explains its bytes whole, and nothing else
    for _ in range(MAX_FAULTS - 1):
        least = max(min(floor, LAST_FAULT_GAIN), wanted)
        if evidence.replay.replay(given).total <= least:
            return  # nothing that could be gained
        left = evidence.replay.replay(given, WRONG_ONLY).total
        for group in groups_of(score(evidence, hypotheses, given, least), left, sure):
            if group.gain <= least or group.members & named:
                continue
            joined = join(given, group.assumption)
            if joined is None:
                continue
            after = evidence.replay.replay(joined, WRONG_ONLY).total
            if group.gain > floor and (given.loose < 0 or left - after > BESIDE_CONTENT):
                break
            if group.probability >= LIKELY and _leaves_nothing(left, after):
                break
        else:
            return
        # It rests on the one before it, so it is no surer than that.
        certainty = min(certainty, group.probability)
        yield replace(group, probability=certainty)
        named |= group.members
        given, wanted = joined, 0.0


def _leaves_nothing(left: float, after: float) -> bool:
    """Whether hardly anything of what was wrong, in bits, is so after one more fault."""
    return left > 0 and after <= LAST_FAULT_LEAVES * left
