"""Groups of hypotheses that the capture cannot tell apart, each with its probability.

``P(h) = 2^(gain + log2 prior) / sum of the same over all h and "none of these"``: Bayes' rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bustrace.diagnosis.gains import MIN_GAIN, Scored
from bustrace.diagnosis.priors import NONE, priors
from bustrace.faults import Fault
from bustrace.findings import Assumption, Evidence

UNNAMED_SHARE = 0.3
"""Share of what is wrong that a fault not listed here would explain: it could cause any of it, at a
price. What explains less than that is not believed."""

LOOKALIKE, LOOKALIKE_BLIND = 0.2, 0.35
"""Share of suspects that explain all and yet are something else, which nobody listed and which acts
like them; and the same without a ROM image. What planted faults of every family showed
(benchmarks/campaign.md)."""

RUNNERS_UP, IMPRECISE = 0.5, 0.1
"""Share of the lookalikes that stands in the list after all, behind what explains most: what their
model misses counted against them. And how far a model may be from what a part does, as a share of
the bits that the best explains (judgement)."""

PERHAPS = 0.5
"""What is left of the probability of a fault that may be there besides what is seen or explains
much more: something else may be the reason."""

ALIKE = 0.9
"""Hypotheses this close in evidence (bits) are not told apart by the capture: less than one unknown
bit, the smallest price there is. What is further off has its own share of the probability."""

APART = {"short": "joined lines", "short-pins": "joined lines", "open-high": "a floating line"}
"""Rare kinds of faults that may act like a common one: joined lines of which one rests, a floating
line where nothing tells that this bus floats high."""

MAX_NAMED = 5
"""Groups of hypotheses reported."""

MIN_PROBABILITY = 0.005
"""Below this a group is not worth a line, but for the likeliest."""


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


def listed(evidence: Evidence) -> float:
    """Share of suspects that explain all and are what they seem."""
    return 1 - (LOOKALIKE if knows_a_rom(evidence) else LOOKALIKE_BLIND)


def knows_a_rom(evidence: Evidence) -> bool:
    """Whether the image of any ROM is known."""
    return any(evidence.replay.has_image(ref) for ref in evidence.replay.chips)


def _kind(scored: Scored) -> str:
    """Faults of two kinds that act alike are two suspects: the rarer kind is looked for after."""
    return APART.get(scored.hypothesis.family, "")


def groups_of(
    scored: list[Scored], wrong: float, listed: float, *, besides: bool = False
) -> list[Weighed]:
    """Group what the capture cannot tell apart; likeliest group first.

    `wrong` is what is to be explained, in bits: a fault that is not listed explains a share of it.
    `listed` is the share of suspects that are what they seem. `besides` a fault that is given
    nothing more need be wrong, which explains nothing.
    """
    telling = [s for s in scored if s.gain >= MIN_GAIN]
    if not telling:
        return []
    none_bits = float(np.log2(priors()[NONE])) + UNNAMED_SHARE * wrong
    nothing_more = [0.0] if besides else []
    bits = np.array([s.weight_bits for s in scored] + [none_bits, *nothing_more])
    weights = np.exp2(bits - bits.max())
    total = float(weights.sum())
    share = {id(s): listed * float(w) / total for s, w in zip(scored, weights, strict=False)}
    telling.sort(key=lambda s: -s.weight_bits)
    # Of a fault that may show itself in several ways the likeliest counts, with the share of all.
    of_fault: dict[Fault, float] = {}
    ways: dict[Fault, Scored] = {}
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


def perhaps(group: Weighed, certainty: float = 1.0) -> Weighed:
    """A group that may be there besides what is given, no surer than that; a clip that is off is
    no fault of the board, and as sure as it is.
    """
    if group.fault.family == "clip":
        return group
    return replace(group, probability=PERHAPS * min(certainty, group.probability))


def with_runners_up(groups: list[Weighed], listed: float) -> list[Weighed]:
    """The groups, those behind the likeliest with their share of what is not as it seems.

    ``P'(k) = P(k) + r (1 - listed) (sum of P) / listed w(k) / max(1, sum of w)``, no more than
    ``P(0)`` by that; ``w(k) = 2^((b(k) - b(0)) / s)``, b: gain and prior in bits, s: how far the
    models may be off, r: `RUNNERS_UP`. Where the best explains hundreds of bits, some bits between
    two are rather the models' than the board's.
    """
    if len(groups) < 2:
        return groups
    bits = np.array([each.gain + each.prior_bits for each in groups])
    scale = max(1.0, IMPRECISE * groups[0].gain)
    weights = np.exp2((bits[1:] - bits[0]) / scale)
    one_of_these = sum(each.probability for each in groups) / listed
    more = RUNNERS_UP * (1 - listed) * one_of_these * weights / max(1.0, float(weights.sum()))
    most = groups[0].probability
    behind = [
        replace(each, probability=max(each.probability, min(most, each.probability + float(share))))
        for each, share in zip(groups[1:], more, strict=True)
    ]
    return [groups[0], *behind]
