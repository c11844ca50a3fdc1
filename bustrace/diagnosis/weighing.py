"""Weigh the hypotheses: which faults explain what the board answered, and how well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bustrace.diagnosis.gains import MIN_GAIN, Scored, score
from bustrace.diagnosis.grouping import (
    MAX_NAMED,
    MIN_PROBABILITY,
    Weighed,
    groups_of,
    knows_a_rom,
    listed,
    perhaps,
    with_runners_up,
)
from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.several import PERHAPS_GAIN, further, instead_of
from bustrace.findings import HEALTHY, Evidence, gather

ENOUGH, FEWEST_WEIGHED = 4_000.0, 20_000
"""Bits of surprise after which, and cycles before which, nothing is left out."""

BY_CHANCE = 0.5
"""Share of what the best fault explains that a ROM of another content does, where no level is wrong
and no image tells: the fault but makes bytes likelier that nobody knew. What a program is like is
judgement, and the best of a thousand was picked."""


def weigh(evidence: Evidence, *, besides: bool = False) -> tuple[Weighed, ...]:
    """Weigh every hypothesis; empty when a healthy board explains the capture as well as any.
    `besides` what a line or the CPU shows by itself nothing more need be wrong.

    Cost: one pass over the cycles for each of some hundred hypotheses.
    """
    if not (evidence.replay.address >= 0).any():
        return ()
    enough = _enough(evidence)
    if enough < evidence.n:
        evidence = gather(evidence.reading, enough)
    hypotheses = enumerate_hypotheses(evidence)
    if besides and not knows_a_rom(evidence) and not evidence.replay.wrong:
        return ()
    scored = score(evidence, hypotheses, HEALTHY, PERHAPS_GAIN if besides else MIN_GAIN)
    if not besides:
        scored += _any_content(evidence, hypotheses, scored)
    groups = groups_of(scored, evidence.replay.wrong, listed(evidence), besides=besides)
    if not groups:
        return ()
    if besides:
        groups = [perhaps(group) for group in groups]
    more, besides_these = further(evidence, hypotheses, groups[0])
    chosen, sure = [groups[0], *more], listed(evidence)
    several: list[Weighed] = []
    if not besides:
        several, ahead = instead_of(evidence, hypotheses, groups[1:], chosen)
    if several and ahead > 0:
        # What is not as it seems in so many cases may be the one fault after all.
        left = max(1 - sure, 1 - _share(ahead))
        others = [_scaled(group, left) for group in with_runners_up(groups, sure)]
        chosen, besides_these = [_scaled(group, _share(ahead)) for group in several], []
    elif several:
        chosen = [_scaled(group, _share(-ahead)) for group in chosen]
        others = _with_several(groups, several, ahead, sure)
    else:
        others = with_runners_up(groups, sure)[1:]
    others = [each for each in others if each.probability >= MIN_PROBABILITY]
    told = {c.fault: c for c in chosen}
    for group in sorted((*others, *besides_these), key=lambda group: -group.probability):
        told.setdefault(group.fault, group)
    return tuple(told.values())[:MAX_NAMED]


def _share(ahead: float) -> float:
    """Probability of one of two that is so many bits ahead of the other."""
    return float(1 / (1 + np.exp2(-ahead)))


def _scaled(group: Weighed, by: float) -> Weighed:
    return replace(group, probability=by * group.probability)


def _with_several(
    groups: list[Weighed], several: list[Weighed], ahead: float, sure: float
) -> list[Weighed]:
    """The groups behind the likeliest, and several that would be there together in its place: as
    likely as one group that is so many bits `ahead` of it.
    """
    first = groups[0]
    as_one = replace(
        _scaled(first, _share(ahead)),
        gain=first.gain + first.prior_bits + ahead,
        prior_bits=0.0,
    )
    _, together, *others = with_runners_up([first, as_one, *groups[1:]], sure)
    return [*(replace(each, probability=together.probability) for each in several), *others]


def _enough(evidence: Evidence) -> int:
    """Cycles that are weighed: of a program that runs wild all the way the first ones tell all."""
    surprises = np.cumsum(evidence.replay.healthy.cost, dtype=np.float64)
    return max(FEWEST_WEIGHED, int(np.searchsorted(surprises, ENOUGH)))


def _any_content(
    evidence: Evidence, hypotheses: list[Hypothesis], scored: list[Scored]
) -> list[Scored]:
    """ROMs without an image: any of their bytes may be wrong, and no capture speaks against it, so
    that they compete with what explains little, however little they explain themselves. Where no
    level is wrong, their bytes may also be what they seem by chance.
    """
    replay = evidence.replay
    best = max((each.gain for each in scored), default=0.0)
    gain = BY_CHANCE * best if replay.wrong == 0 else 0.0
    named = {each.hypothesis.assumption for each in scored}
    return [
        Scored(h, gain, 0, False)
        for h in hypotheses
        if h.assumption.loose >= 0
        and not replay.has_image(replay.chips[h.assumption.loose])
        and h.assumption not in named
    ]
