"""Several faults: one more beside the likeliest, or two others in its place.

With one taken as given, all hypotheses are weighed again. What acts like both of two is easily the
likeliest alone, so others are tried first, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.gains import ONSET_PRICE, SOMETIMES_SHARE, score, whole_gain
from bustrace.diagnosis.grouping import (
    MIN_PROBABILITY,
    Weighed,
    groups_of,
    knows_a_rom,
    listed,
)
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

LAST_FAULT_GAIN, LAST_FAULT_WORTH, LAST_FAULT_LEAVES = 20.0, 8.0, 0.1
"""Bits that are enough for one more fault with which hardly anything wrong is left, without its
prior or with it, and the share of the wrong levels before it that it may leave: noise is not
explained so well."""

TOGETHER = 40.0
"""Bits, priors included, by which each fault more must explain what fewer do not: as much as a
further fault must explain."""

PERHAPS_GAIN, PERHAPS = 8.0, 0.5
"""Bits from which on one more fault is told as one that may be there besides, if a wrong level is
explained by it, and what is left of its probability: something else may be the reason."""

MOST_PERHAPS = 2
"""Such faults, at most."""

STARTS = 2
"""Groups behind the likeliest that are each tried as the first of several."""

MOST_PAIRED, PAIRED_CYCLES = 64, 8_000
"""Hypotheses of which each is tried with each, and cycles that tell which these are: in a long
capture there is time for no more."""

PAIRS_TRIED = 40
"""Pairs that are replayed."""

MAX_FAULTS = 3


def worth(chain: Sequence[Weighed]) -> float:
    """Bits for faults that are there together, priors included, less the price of each but the
    first; of the first of them alone, if that is worth more.
    """
    bits = np.cumsum([group.gain + group.prior_bits for group in chain])
    return float((bits - TOGETHER * np.arange(len(chain))).max())


def worth_more(
    evidence: Evidence, hypotheses: list[Hypothesis], groups: list[Weighed], chosen: list[Weighed]
) -> list[Weighed]:
    """Two faults or more of which none is the likeliest alone, where together they are worth more
    than what was `chosen`: what acts like both of two is easily the likeliest one. Else none,
    and where no ROM has an image: among so much that is unknown some two explain anything.
    """
    if not knows_a_rom(evidence):
        return []
    least, left = worth(chosen), evidence.replay.healthy.total
    if chosen[0].sometimes:
        # Several that last may as well choose what they explain: it is not credited with less.
        spared = _spared(evidence, chosen[0].assumption)
        least, left = least + (1 - SOMETIMES_SHARE) * spared, left - spared
    else:
        left -= sum(group.gain for group in chosen)
    if left < TOGETHER:
        return []  # nothing is left that others could explain
    best: list[Weighed] = []
    tried = {chosen[0].assumption}
    for group in (*groups[:STARTS], *_parts(evidence, hypotheses, least + TOGETHER)):
        if group.assumption in tried:
            continue
        tried.add(group.assumption)
        # Together they are as sure as any, however unlikely each is alone.
        answers = evidence.replay.replay(group.assumption, first=group.onset)
        gain = whole_gain(evidence, answers, group.assumption, group.onset)
        gain -= ONSET_PRICE if group.onset else 0.0
        first = replace(group, gain=gain, sometimes=False, probability=listed(evidence))
        wanted = least + TOGETHER - gain - group.prior_bits
        more, _ = further(evidence, hypotheses, first, wanted)
        chain = [first, *more]
        if len(chain) > 1 and worth(chain) > least:
            best, least = chain, worth(chain)
    return best


def _spared(evidence: Evidence, assumption: Assumption) -> float:
    """Bits that a fault explains which comes and goes: it is there where it explains."""
    spared = evidence.replay.healthy.cost - evidence.replay.replay(assumption).cost
    return float(spared[spared > 0].sum(dtype=np.float64))


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
) -> tuple[list[Weighed], list[Weighed]]:
    """More faults: several things are often wrong at once. With the likeliest taken as given, does
    one more explain much of what is left, wrong bits among it? And those that may be there instead
    of these, or besides, for they explain as much or a little.

    The second must explain `wanted` bits at least.
    """
    if first.sometimes:
        return [], []  # what it leaves is not known
    given, named = first.assumption, first.members
    certainty, sure = first.probability, listed(evidence)
    more: list[Weighed] = []
    floor = max(SECOND_FAULT_GAIN, SECOND_FAULT_SHARE * first.gain)
    if wanted:  # held against another explanation, what its own model leaves does not matter
        floor = LAST_FAULT_GAIN
    if given.loose >= 0:
        floor = BESIDE_CONTENT  # another content explains its bytes whole, and nothing else
    instead: list[Weighed] = []
    for _ in range(MAX_FAULTS - 1):
        least = wanted or PERHAPS_GAIN
        if evidence.replay.replay(given).total <= least:
            break  # nothing that could be gained
        left = evidence.replay.replay(given, WRONG_ONLY).total
        one_more, both, perhaps = None, given, []
        groups = groups_of(score(evidence, hypotheses, given, least), left, sure)
        for group in groups:
            joined = join(given, group.assumption)
            if joined is None or group.gain <= least or group.members & named:
                continue
            spared = left - evidence.replay.replay(joined, WRONG_ONLY).total
            much = group.gain > floor and (given.loose < 0 or spared > BESIDE_CONTENT)
            worth_it = group.gain + group.prior_bits > LAST_FAULT_WORTH
            last = (group.gain > LAST_FAULT_GAIN or worth_it) and group.probability >= LIKELY
            if much or (last and spared >= (1 - LAST_FAULT_LEAVES) * left > 0):
                one_more, both = group, joined
                break
            if spared >= WRONG_ONLY[0]:
                perhaps.append(group)
        if one_more is None:
            instead += [
                replace(each, probability=PERHAPS * min(certainty, each.probability))
                for each in perhaps[:MOST_PERHAPS]
            ]
            break
        # It rests on the one before it, so it is no surer than that.
        instead += [
            replace(each, probability=min(certainty, each.probability))
            for each in groups
            if each is not one_more and not each.members & named
        ]
        certainty = min(certainty, one_more.probability)
        more.append(replace(one_more, probability=certainty))
        named |= one_more.members
        given, wanted, floor = both, 0.0, max(floor, SECOND_FAULT_GAIN)
    told = {fault for each in more for fault in each.members}
    return more, [
        each for each in instead if each.probability >= MIN_PROBABILITY and not each.members & told
    ]
