"""Weigh the hypotheses: which faults explain what the board answered, and how well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

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
from bustrace.diagnosis.several import (
    IN_TIME,
    MAX_FAULTS,
    PERHAPS_GAIN,
    SECOND_FAULT_GAIN,
    all_right,
    already_there,
    further,
    instead_of,
)
from bustrace.findings import HEALTHY, Evidence, gather

ENOUGH, FEWEST_WEIGHED = 1_500.0, 8_000
"""Bits of surprise after which, and cycles before which, nothing is left out."""

NEARLY_ALL = 0.99
"""Share of the surprises, and of the levels not seen before at their addresses, after which a
program that goes round and round tells nothing new."""

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
    long = evidence.n > IN_TIME
    evidence = _as_far_as_it_tells(evidence)
    hypotheses = enumerate_hypotheses(evidence)
    scored = score(evidence, hypotheses, HEALTHY, MIN_GAIN)
    scored += _any_content(evidence, hypotheses, scored)
    groups = groups_of(scored, evidence.replay.wrong, listed(evidence))
    if not groups:
        return ()
    more, besides = further(_in_time(evidence), hypotheses, groups[0])
    for each in already_there(evidence, hypotheses, groups[0]):
        if each.gain > SECOND_FAULT_GAIN:
            more = [replace(each, probability=min(each.probability, groups[0].probability)), *more]
        else:
            besides = [perhaps(each, groups[0].probability), *besides]
    chosen, sure = [groups[0], *more][:MAX_FAULTS], listed(evidence)
    several: list[Weighed] = []
    ahead = 0.0
    if not (long and all_right(evidence, chosen)):
        several, ahead = instead_of(evidence, hypotheses, groups[1:], chosen)
    if several and ahead > 0:
        # What is not as it seems in so many cases may be the one fault after all.
        left = max(1 - sure, 1 - _share(ahead))
        others = [_scaled(group, left) for group in with_runners_up(groups, sure)]
        return _told([_scaled(group, _share(ahead)) for group in several], others)
    if several:
        others = _with_several(groups, several, ahead, sure)
        return _told([_scaled(group, _share(-ahead)) for group in chosen], [*others, *besides])
    return _told(chosen, [*with_runners_up(groups, sure)[1:], *besides])


def weigh_besides(evidence: Evidence) -> tuple[Weighed, ...]:
    """Weigh what may be there besides a fault that a line or the CPU shows by itself: nothing more
    need be wrong. Empty where no ROM has an image and no level is wrong.
    """
    seen = (evidence.replay.address >= 0).any()
    if not seen or not (knows_a_rom(evidence) or evidence.replay.wrong):
        return ()
    evidence = _as_far_as_it_tells(evidence)
    hypotheses = enumerate_hypotheses(evidence)
    scored = score(evidence, hypotheses, HEALTHY, PERHAPS_GAIN)
    sure, wrong = listed(evidence), evidence.replay.wrong
    groups = [perhaps(group) for group in groups_of(scored, wrong, sure, besides=True)]
    if not groups:
        return ()
    more, besides = further(_in_time(evidence), hypotheses, groups[0])
    return _told([groups[0], *more], [*with_runners_up(groups, sure)[1:], *besides])


def _told(chosen: list[Weighed], others: list[Weighed]) -> tuple[Weighed, ...]:
    """What was chosen, then what is likely enough beside that, each fault once."""
    told = {group.fault: group for group in chosen}
    likely = (group for group in others if group.probability >= MIN_PROBABILITY)
    for group in sorted(likely, key=lambda group: -group.probability):
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
    first = _scaled(groups[0], _share(-ahead))
    as_one = replace(
        _scaled(groups[0], _share(ahead)),
        gain=first.gain + first.prior_bits + ahead,
        prior_bits=0.0,
    )
    _, together, *others = with_runners_up([first, as_one, *groups[1:]], sure)
    return [*(replace(each, probability=together.probability) for each in several), *others]


def _as_far_as_it_tells(evidence: Evidence) -> Evidence:
    """Of a program that runs wild all the way the first cycles tell all, and of one that goes round
    and round the first rounds.
    """
    replay = evidence.replay
    surprises = np.cumsum(replay.healthy.cost, dtype=np.float64)
    if surprises[-1] > ENOUGH:
        tells = np.searchsorted(surprises, ENOUGH)
    else:
        last_surprises = np.searchsorted(surprises, NEARLY_ALL * surprises[-1])
        new = _new_levels(evidence)
        tells = max(last_surprises, new[int(NEARLY_ALL * len(new))])
    enough = max(FEWEST_WEIGHED, int(tells) + 1)
    return gather(evidence.reading, enough) if enough < evidence.n else evidence


def _in_time(evidence: Evidence) -> Evidence:
    return gather(evidence.reading, IN_TIME) if evidence.n > IN_TIME else evidence


def _new_levels(evidence: Evidence) -> npt.NDArray[np.int64]:
    """Cycles in which a data line has a level for the first time at an address of a bank, one for
    each such line and level, in order.
    """
    replay = evidence.replay
    judged = np.flatnonzero(replay.address >= 0)
    bank = replay.healthy.bank[judged].astype(np.int64)
    place = bank << 16 | replay.address[judged]
    data = replay.data[judged]
    levels = [place << 1 | data >> line & 1 for line in range(8)]
    found = [judged[np.unique(level, return_index=True)[1]] for level in levels]
    return np.sort(np.concatenate(found))


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
