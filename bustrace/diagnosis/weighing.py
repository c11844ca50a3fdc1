"""Weigh the hypotheses: which faults explain what the board answered, and how well.

``gain(h) = cost(sound board) - cost(h)``, both from the replay (`findings`), in bits, and
``P(h) = 2^(gain + log2 prior) / sum of the same over all h and "none of these"``: Bayes' rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.priors import NONE, priors
from bustrace.faults import Fault
from bustrace.findings import HEALTHY, SOMETIMES_PRICE, WRONG_ONLY, Answers, Assumption, Evidence

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
    """

    fault: Fault
    alike: tuple[Fault, ...]
    gain: float
    probability: float
    onset: int
    sometimes: bool
    assumption: Assumption


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
    hypotheses = enumerate_hypotheses(evidence)
    scored = _score(evidence, hypotheses, HEALTHY, MIN_GAIN)
    scored += _any_content(evidence, hypotheses, scored)
    groups = _groups(scored, evidence.replay.wrong, _listed(evidence))
    if not groups:
        return ()
    chosen = [groups[0]]
    if not groups[0].sometimes:
        chosen += _further(evidence, hypotheses, groups[0])
    others = [
        g
        for g in groups[1:]
        if g.probability >= MIN_PROBABILITY and g.fault not in {c.fault for c in chosen}
    ]
    return (*chosen, *others)[:MAX_NAMED]


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


def _listed(evidence: Evidence) -> float:
    """Share of suspects that explain all and are what they seem."""
    replay = evidence.replay
    known = any(replay.has_image(ref) for ref in replay.chips)
    return 1 - (LOOKALIKE if known else LOOKALIKE_BLIND)


def _further(evidence: Evidence, hypotheses: list[Hypothesis], first: Weighed) -> Iterator[Weighed]:
    """More faults: several things are often wrong at once. With the likeliest taken as given, does
    one more explain much of what is left, wrong bits among it?
    """
    given, named = first.assumption, {first.fault, *first.alike}
    certainty = first.probability
    sure = _listed(evidence)
    floor = max(SECOND_FAULT_GAIN, SECOND_FAULT_SHARE * first.gain)
    if given.loose >= 0:
        floor = BESIDE_CONTENT  # another content explains its bytes whole, and nothing else
    for _ in range(MAX_FAULTS - 1):
        if evidence.replay.replay(given).total <= floor:
            return  # nothing that could be gained
        left = evidence.replay.replay(given, WRONG_ONLY).total
        for group in _groups(_score(evidence, hypotheses, given, floor), left, sure):
            if group.gain <= floor or {group.fault, *group.alike} & named:
                continue
            joined = _join(given, group.assumption)
            if joined is not None and _explains_more(evidence, given, joined, left):
                break
        else:
            return
        # It rests on the one before it, so it is no surer than that.
        certainty = min(certainty, group.probability)
        yield replace(group, probability=certainty)
        named |= {group.fault, *group.alike}
        given = joined


def _explains_more(evidence: Evidence, given: Assumption, joined: Assumption, left: float) -> bool:
    """Whether one more fault explains wrong bits, not only bytes of another content, of which some
    will be right by chance.
    """
    if given.loose < 0:
        return True
    return left - evidence.replay.replay(joined, WRONG_ONLY).total > BESIDE_CONTENT


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
    best = floor + OUT_OF_SIGHT
    for joined in _promising_first(evidence, [joined for _, joined in wanted]):
        answers = evidence.replay.replay_while(joined, base_gain + best - OUT_OF_SIGHT)
        if answers is not None:
            gain, onset = _gain(evidence, answers, joined, before)
            now_and_then = _sometimes(evidence, answers) if given == HEALTHY else 0.0
            sometimes = now_and_then > max(gain, MIN_GAIN)
            if sometimes:
                gain, onset = now_and_then, 0
            gained[joined] = gain - base_gain, onset, sometimes
            best = max(best, gain - base_gain)
    # Whatever the order in which they were tried, the same ones are kept.
    return [
        _Scored(hypothesis, *gained[joined])
        for hypothesis, joined in wanted
        if joined in gained and gained[joined][0] >= best - OUT_OF_SIGHT
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
    changes = {}
    for name in Assumption.__dataclass_fields__:
        mine, theirs, neutral = (getattr(a, name) for a in (first, second, HEALTHY))
        if theirs == neutral:
            continue
        if mine == neutral:
            changes[name] = theirs
        elif name.endswith("_and"):
            changes[name] = mine & theirs
        elif name.endswith("_or") or name in (
            "silent",
            "always",
            "deaf",
            "latch_dead",
            "select_off",
        ):
            changes[name] = mine | theirs
        else:
            return None
    return replace(first, **changes)


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
            )
        )
        left = [s for s in rest if id(s) not in ids]
    return groups
