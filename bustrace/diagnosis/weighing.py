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
    listed,
    with_runners_up,
)
from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.several import further, worth_more
from bustrace.findings import HEALTHY, Evidence, gather

ENOUGH, FEWEST_WEIGHED = 4_000.0, 20_000
"""Bits of surprise after which, and cycles before which, nothing is left out."""

BY_CHANCE = 0.5
"""Share of what the best fault explains that a ROM of another content does, where no level is wrong
and no image tells: the fault but makes bytes likelier that nobody knew. What a program is like is
judgement, and the best of a thousand was picked."""


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
    scored = score(evidence, hypotheses, HEALTHY, MIN_GAIN)
    scored += _any_content(evidence, hypotheses, scored)
    groups = groups_of(scored, evidence.replay.wrong, listed(evidence))
    if not groups:
        return ()
    groups = with_runners_up(groups, listed(evidence))
    more, perhaps = further(evidence, hypotheses, groups[0])
    chosen, others = [groups[0], *more], groups[1:]
    together = worth_more(evidence, hypotheses, groups[1:], chosen)
    if together:
        # What is not as it seems in so many cases may be the one fault after all.
        left = 1 - listed(evidence)
        others = [replace(g, probability=left * g.probability) for g in groups]
        chosen, perhaps = together, []
    others = [each for each in others if each.probability >= MIN_PROBABILITY]
    told = {c.fault: c for c in chosen}
    for group in sorted((*others, *perhaps), key=lambda group: -group.probability):
        told.setdefault(group.fault, group)
    return tuple(told.values())[:MAX_NAMED]


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
