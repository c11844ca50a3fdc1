"""Weigh the hypotheses: which faults explain what the board answered, and how well.

``gain(h) = cost(sound board) - cost(h)``, both from the replay (`findings`), in bits, and
``P(h) = 2^(gain + log2 prior) / sum of the same over all h and "none of these"``: Bayes' rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.model import LIKELY
from bustrace.diagnosis.priors import NONE, priors
from bustrace.faults import Fault
from bustrace.findings import (
    HEALTHY,
    SOMETIMES_PRICE,
    WRONG_ONLY,
    Answers,
    Assumption,
    Evidence,
    gather,
)

MIN_GAIN = 5.0
"""Bits of evidence below which a hypothesis is not worth naming."""

UNNAMED_SHARE = 0.3
"""Share of what is wrong that a fault not listed here would explain: it could cause any of it, at a
price. What explains less than that is not believed."""

LOOKALIKE, LOOKALIKE_BLIND = 0.2, 0.35
"""Share of suspects that explain all and yet are something else, which nobody listed and which acts
like them; and the same without a ROM image. What planted faults of every family showed
(benchmarks/campaign.md)."""

ONSET_PRICE = 12.0
"""Bits for a fault that begins in the middle of the capture: one free parameter."""

SWAP_LATER = 60.0
"""The same for chips in each other's sockets: nobody swaps them while the board runs."""

SOMETIMES_SHARE = 0.75
"""Share of what it spares that a fault that comes and goes is credited with: it may choose its
cycles, and what is seen again and again is only counted once."""

_TELLS = 0.5
"""Bits by which a cycle must differ to tell whether a fault was there."""

ALIKE = 0.9
"""Hypotheses this close in evidence (bits) are not told apart by the capture: less than one unknown
bit, the smallest price there is. What is further off has its own share of the probability."""

APART = {"short": "joined lines", "short-pins": "joined lines", "open-high": "a floating line"}
"""Rare kinds of faults that may act like a common one: joined lines of which one rests, a floating
line where nothing tells that this bus floats high."""

OUT_OF_SIGHT = 60.0
"""Hypotheses this far (bits) behind the best are not weighed to the end: no prior makes up for
it."""

ENOUGH, FEWEST_WEIGHED = 4_000.0, 20_000
"""Bits of surprise after which, and cycles before which, nothing is left out."""

FIRST_CYCLES = 2_000
"""Cycles that tell which hypotheses to weigh first: after reset most faults show early."""

MAX_NAMED = 5
"""Groups of hypotheses reported."""

MIN_PROBABILITY = 0.005
"""Below this a group is not worth a line, but for the likeliest."""

SECOND_FAULT_GAIN = 40.0
"""Bits that one more fault must explain beyond the first: the noise of a program that runs wild is
explained a little by many things."""

SECOND_FAULT_SHARE = 0.05
"""And so much of what the first explains: where that is large, so is what its model leaves over."""

BESIDE_CONTENT = 20.0
"""Bits that a second fault must explain beside a ROM of another content."""

CUT_OFF = 10.0
"""Bits for a chip that asks for what it never got: as for any level that should not be."""

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


@dataclass(frozen=True, slots=True)
class Weighed:
    """A group of faults that explain the same.

    Attributes
    ----------
    fault : Fault
        The likeliest.
    alike : tuple of Fault
        The others.
    gain : float
        Bits of evidence over the healthy board.
    probability : float
        Of the group.
    onset : int
        Cycle from which it explains; 0 for the whole capture.
    sometimes : bool
        It explains only as a fault that comes and goes.
    assumption : Assumption
        Of the likeliest.
    prior_bits : float
        log2 of the likeliest's prior probability.
    """

    fault: Fault
    alike: tuple[Fault, ...]
    gain: float
    probability: float
    onset: int
    sometimes: bool
    assumption: Assumption
    prior_bits: float

    @property
    def members(self) -> set[Fault]:
        """All faults of the group."""
        return {self.fault, *self.alike}


@dataclass(frozen=True, slots=True)
class _Scored:
    hypothesis: Hypothesis
    gain: float
    onset: int
    sometimes: bool

    @property
    def weight_bits(self) -> float:
        return self.gain + self.hypothesis.prior_bits


def weigh(evidence: Evidence) -> tuple[Weighed, ...]:
    """Weigh every hypothesis; empty when a healthy board explains the capture as well as any.

    Cost: one pass over the cycles for each of some hundred hypotheses.
    """
    if not (evidence.replay.address >= 0).any():
        return ()
    enough = _enough(evidence)
    if enough < evidence.n:
        evidence = gather(evidence.reading, enough)
    hypotheses = enumerate_hypotheses(evidence)
    scored = _score(evidence, hypotheses, HEALTHY, MIN_GAIN)
    scored += _any_content(evidence, hypotheses, scored)
    groups = _groups(scored, evidence.replay.wrong, _listed(evidence))
    if not groups:
        return ()
    chosen = [groups[0]]
    if not groups[0].sometimes:
        chosen += _further(evidence, hypotheses, groups[0])
    others = groups[1:]
    together = _better_together(evidence, hypotheses, groups[1:], chosen)
    if together:
        # What is not as it seems in so many cases may be the one fault after all.
        left = 1 - _listed(evidence)
        others = [replace(g, probability=left * g.probability) for g in groups]
        chosen = together
    named = {c.fault for c in chosen}
    others = [g for g in others if g.probability >= MIN_PROBABILITY and g.fault not in named]
    return (*chosen, *others)[:MAX_NAMED]


def _enough(evidence: Evidence) -> int:
    """Cycles that are weighed: of a program that runs wild all the way the first ones tell all."""
    surprises = np.cumsum(evidence.replay.healthy.cost, dtype=np.float64)
    return max(FEWEST_WEIGHED, int(np.searchsorted(surprises, ENOUGH)))


def _any_content(
    evidence: Evidence, hypotheses: list[Hypothesis], scored: list[_Scored]
) -> list[_Scored]:
    """ROMs without an image: any of their bytes may be wrong, and no capture speaks against it, so
    that they compete with what explains little, however little they explain themselves.
    """
    replay = evidence.replay
    named = {each.hypothesis.assumption for each in scored}
    return [
        _Scored(h, 0.0, 0, False)
        for h in hypotheses
        if h.assumption.loose >= 0
        and not replay.has_image(replay.chips[h.assumption.loose])
        and h.assumption not in named
    ]


def _weight(chain: list[Weighed]) -> float:
    """Bits for several faults that are there together, priors included."""
    return sum(group.gain + group.prior_bits for group in chain)


def _better_together(
    evidence: Evidence, hypotheses: list[Hypothesis], groups: list[Weighed], chosen: list[Weighed]
) -> list[Weighed]:
    """Two faults or more of which none is the likeliest alone, where together they explain more
    than what was `chosen` by far: what acts like both of two is easily the likeliest one. Else
    none, and where no ROM has an image: among so much that is unknown some two explain anything.
    """
    if not _knows_a_rom(evidence):
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
        gain = evidence.replay.healthy.total - answers.total - _cut_off(evidence, group.assumption)
        gain -= ONSET_PRICE if group.onset else 0.0
        first = replace(group, gain=gain, sometimes=False, probability=_listed(evidence))
        wanted = weight + TOGETHER - _weight([first])
        chain = [first, *_further(evidence, hypotheses, first, wanted)]
        if len(chain) > 1 and _weight(chain) >= weight + TOGETHER:
            best, weight = chain, _weight(chain)
    return best


def _parts(evidence: Evidence, hypotheses: list[Hypothesis], least: float) -> Iterator[Weighed]:
    """The larger fault of the pair that explains most together, if that comes to `least` bits,
    priors included, though each may be far from the likeliest alone.

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
        joined = _join(pool[i][0].assumption, pool[j][0].assumption)
        if joined is None:
            continue
        bits = replay.healthy.total - replay.replay(joined).total - _cut_off(evidence, joined)
        bits += prior[i] + prior[j]
        if bits >= least:
            best, least = pool[i][0], bits
    if best is not None:
        gain = replay.healthy.total - replay.replay(best.assumption).total
        alike = tuple(
            h.fault for h in hypotheses if h.assumption == best.assumption and h.fault != best.fault
        )
        yield Weighed(best.fault, alike, gain, 1.0, 0, False, best.assumption, best.prior_bits)


def _listed(evidence: Evidence) -> float:
    """Share of suspects that explain all and are what they seem."""
    return 1 - (LOOKALIKE if _knows_a_rom(evidence) else LOOKALIKE_BLIND)


def _knows_a_rom(evidence: Evidence) -> bool:
    return any(evidence.replay.has_image(ref) for ref in evidence.replay.chips)


def _further(
    evidence: Evidence, hypotheses: list[Hypothesis], first: Weighed, wanted: float = 0.0
) -> Iterator[Weighed]:
    """More faults: several things are often wrong at once. With the likeliest taken as given, does
    one more explain much of what is left, wrong bits among it?

    The second must explain `wanted` bits at least.
    """
    given, named = first.assumption, first.members
    certainty = first.probability
    sure = _listed(evidence)
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
        for group in _groups(_score(evidence, hypotheses, given, least), left, sure):
            if group.gain <= least or group.members & named:
                continue
            joined = _join(given, group.assumption)
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


def _score(
    evidence: Evidence, hypotheses: list[Hypothesis], given: Assumption, floor: float
) -> list[_Scored]:
    """Gain over what is given already of every hypothesis that can come to `floor` bits."""
    base_gain, given_from = 0.0, 0
    if given != HEALTHY:
        base_gain, given_from = _gain(evidence, evidence.replay.replay(given), given, HEALTHY)
    before = HEALTHY if given_from else given
    joins = [(h, _join(given, h.assumption)) for h in hypotheses]
    wanted = [(h, joined) for h, joined in joins if joined is not None and joined != given]
    gained: dict[Assumption, tuple[float, int, bool]] = {}
    least = floor
    for joined in _promising_first(evidence, [joined for _, joined in wanted]):
        answers = evidence.replay.replay_while(joined, base_gain + least)
        if answers is not None:
            gain, onset = _gain(evidence, answers, joined, before)
            now_and_then = _sometimes(evidence, answers) if given == HEALTHY else 0.0
            sometimes = now_and_then > max(gain, MIN_GAIN)
            if sometimes:
                gain, onset = now_and_then, 0
            gained[joined] = gain - base_gain, onset, sometimes
            least = max(least, gain - base_gain - OUT_OF_SIGHT)
    # Whatever the order in which they were tried, the same ones are kept.
    return [
        _Scored(hypothesis, *gained[joined])
        for hypothesis, joined in wanted
        if joined in gained and gained[joined][0] >= least
    ]


def _promising_first(evidence: Evidence, assumptions: list[Assumption]) -> list[Assumption]:
    """Each once; in a long capture what gains most in its first cycles comes first, so that the
    rest need not be replayed to the end.
    """
    distinct = list(dict.fromkeys(assumptions))
    replay = evidence.replay
    if replay.n <= 2 * FIRST_CYCLES:
        return distinct
    early = {each: replay.early_gain(each, FIRST_CYCLES) for each in distinct}
    return sorted(distinct, key=lambda each: -early[each])


def _gain(
    evidence: Evidence, answers: Answers, assumption: Assumption, before: Assumption
) -> tuple[float, int]:
    """Bits over the healthy board, and the cycle from which the fault is taken to be there."""
    healthy = evidence.replay.healthy.total - _cut_off(evidence, assumption)
    whole = healthy - answers.total
    price = ONSET_PRICE if assumption.swap_a < 0 else SWAP_LATER
    if answers.gain - price <= max(whole, MIN_GAIN):
        return whole, 0
    # What was paid before the onset made later surprises cheap: weigh it again without.
    again = evidence.replay.replay(assumption, first=answers.onset, before=before)
    late = healthy - again.total - price
    return (late, answers.onset) if late > whole else (whole, 0)


def _cut_off(evidence: Evidence, assumption: Assumption) -> float:
    """Bits for chips that would get no writes, and yet ask for what was written to them."""
    unheard = evidence.heard & (assumption.select_off | assumption.deaf)
    return CUT_OFF * unheard.bit_count()


def _sometimes(evidence: Evidence, answers: Answers) -> float:
    """Bits over the healthy board for a fault that comes and goes.

    In each surprising cycle it may be there or not, whichever explains more; to say when costs as
    much as the choice of so many out of so many: n H(k / n) (Shannon's entropy).
    """
    spared = evidence.replay.healthy.cost - answers.cost
    there, away = int((spared > _TELLS).sum()), int((spared < -_TELLS).sum())
    both = there + away
    if not there or not away:
        return 0.0
    share = there / both
    choice = -both * (share * np.log2(share) + (1 - share) * np.log2(1 - share))
    explained = float(spared[spared > 0].sum(dtype=np.float64))
    return SOMETIMES_SHARE * explained - float(choice) - SOMETIMES_PRICE


def _join(first: Assumption, second: Assumption) -> Assumption | None:
    """Both assumptions at once, or None where they speak of the same thing."""
    if first == HEALTHY:
        return second
    mine, theirs = _drives_along(first), _drives_along(second)
    if mine and theirs - mine and _who_wins(first) != _who_wins(second):
        return None  # one word for who wins does for the same chips only
    changes = {}
    for name in Assumption.__dataclass_fields__:
        given, added, neutral = (getattr(a, name) for a in (first, second, HEALTHY))
        if added == neutral:
            continue
        if given == neutral:
            changes[name] = added
        elif name.endswith("_and"):
            changes[name] = given & added
        elif name.endswith("_or") or name in (
            "silent",
            "always",
            "deaf",
            "latch_dead",
            "select_off",
        ):
            changes[name] = given | added
        else:
            return None
    return replace(first, **changes)


def _drives_along(assumption: Assumption) -> set[int]:
    """Chips that it makes drive along with others."""
    always = {
        chip for chip in range(assumption.always.bit_length()) if assumption.always >> chip & 1
    }
    return {*always, assumption.doubled_by, assumption.select_on} - {-1}


def _who_wins(assumption: Assumption) -> tuple[int, int, int]:
    """Whose level a line has that two drive."""
    return assumption.fight, assumption.strong, assumption.yields


def _kind(scored: _Scored) -> str:
    """Faults of two kinds that act alike are two suspects: the rarer kind is looked for after."""
    return APART.get(scored.hypothesis.family, "")


def _groups(scored: list[_Scored], wrong: float, listed: float) -> list[Weighed]:
    """Group what the capture cannot tell apart; likeliest group first.

    `wrong` is what is to be explained, in bits: a fault that is not listed explains a share of it.
    `listed` is the share of suspects that are what they seem.
    """
    telling = [s for s in scored if s.gain >= MIN_GAIN]
    if not telling:
        return []
    none_bits = float(np.log2(priors()[NONE])) + UNNAMED_SHARE * wrong
    bits = np.array([s.weight_bits for s in scored] + [none_bits])
    weights = np.exp2(bits - bits.max())
    total = float(weights.sum())
    share = {id(s): listed * float(w) / total for s, w in zip(scored, weights, strict=False)}
    telling.sort(key=lambda s: -s.weight_bits)
    # Of a fault that may show itself in several ways the likeliest counts, with the share of all.
    of_fault: dict[Fault, float] = {}
    ways: dict[Fault, _Scored] = {}
    for each in telling:
        fault = each.hypothesis.fault
        of_fault[fault] = of_fault.get(fault, 0.0) + share[id(each)]
        ways.setdefault(fault, each)
    groups: list[Weighed] = []
    left = list(ways.values())
    while left and len(groups) < MAX_NAMED:
        head, rest = left[0], left[1:]
        same = [s for s in rest if abs(s.gain - head.gain) <= ALIKE and _kind(s) == _kind(head)]
        members = (head.hypothesis.fault, *(s.hypothesis.fault for s in same))
        ids = {id(s) for s in same}
        groups.append(
            Weighed(
                members[0],
                members[1:],
                head.gain,
                min(1.0, sum(of_fault[fault] for fault in members)),
                head.onset,
                head.sometimes,
                head.hypothesis.assumption,
                head.hypothesis.prior_bits,
            )
        )
        left = [s for s in rest if id(s) not in ids]
    return groups
