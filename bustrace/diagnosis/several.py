"""Several faults: one more beside the likeliest, or two others in its place.

With one taken as given, all hypotheses are weighed again. What acts like both of two is easily the
likeliest alone, so others are tried first, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from bustrace.board import READ
from bustrace.diagnosis.gains import MIN_GAIN, ONSET_PRICE, Scored, score, whole_gain
from bustrace.diagnosis.grouping import (
    MIN_PROBABILITY,
    Weighed,
    groups_of,
    knows_a_rom,
    listed,
    perhaps,
)
from bustrace.diagnosis.hypotheses import Hypothesis, proposed_beside
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.model import LIKELY
from bustrace.diagnosis.read_again import lines_changed
from bustrace.diagnosis.same_answers import same_answers
from bustrace.findings import (
    HEALTHY,
    RAM,
    SOMETIMES_SHARE,
    WRONG_ONLY,
    Answers,
    Assumption,
    Evidence,
    gather,
    sole_driver,
)

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
further fault must explain. The last with which hardly anything wrong is left, `LAST_FAULT_WORTH`.
"""

PERHAPS_GAIN = 8.0
"""Bits from which on one more fault is told as one that may be there besides; where no ROM has an
image, or beside another content, only if a wrong level is explained by it: what else a program's
bytes are like is judgement, and the best of a thousand is picked. What leaves hardly any level
wrong is told as soon as it is weighed at all."""

MOST_PERHAPS = 2
"""Such faults, at most."""

AT_ROMS_TRIED, BESIDE_CONTENT_TRIED = 16, 64
"""Hypotheses, the likeliest ones, that are tried on what ROMs still give wrong, and beside another
content.
"""

NOT_FAR_BEHIND = 10.0
"""Bits by which several that explain a capture may be behind one that does, to be told all the
same: as one wrong level (judgement)."""

IN_TIME = 20_000
"""Cycles in which one more fault is looked for, and up to which several that explain a capture in
place of one: for more there is no time."""

STARTS = 2
"""Groups behind the likeliest that are each tried as the first of several, and faults that last and
explain most of all that these do not stand for."""

SAME_STORY = 40.0
"""Bits, taken cycle by cycle, by which two faults must differ in what they explain, to be two
starts: what explains the same would be found beside the same."""

MOST_PAIRED, PAIRED_CYCLES = 64, 8_000
"""Hypotheses of which each is tried with each, and cycles that tell which these are: in a long
capture there is time for no more."""

PAIRS_TRIED = 40
"""Pairs that are replayed."""

MAX_FAULTS = 3

DATA_LINES = tuple(1 << bit for bit in range(8))
"""Each alone, as `lines_changed` has them."""

_Early = tuple[Hypothesis, npt.NDArray[np.float32]]
"""A hypothesis, and the bits of each of the first cycles under it."""


def worth(chain: Sequence[Weighed], last: float = TOGETHER) -> float:
    """Bits for faults that are there together, priors included, less the price of each but the
    first; of the first of them alone, if that is worth more. `last` is the price of the last.
    """
    bits = np.cumsum([group.gain + group.prior_bits for group in chain])
    bits -= TOGETHER * np.arange(len(chain))
    if len(chain) > 1:
        bits[-1] += TOGETHER - last
    return float(bits.max())


def instead_of(
    evidence: Evidence, hypotheses: list[Hypothesis], groups: list[Weighed], chosen: list[Weighed]
) -> tuple[list[Weighed], float]:
    """Two faults or more of which none is the likeliest alone, and by how many bits they are worth
    more together than what was `chosen`: what acts like both of two is easily the likeliest one.
    None where they are far behind, and where no ROM has an image: among so much that is unknown
    some two explain anything.
    """
    none: tuple[list[Weighed], float] = [], 0.0
    if not knows_a_rom(evidence) or evidence.n > IN_TIME:
        return none
    mine, left = worth(chosen, _price(evidence, chosen)), evidence.replay.healthy.total
    if chosen[0].sometimes:
        # Several that last may as well choose what they explain: it is not credited with less.
        spared = _spared(evidence, chosen[0].assumption)
        mine, left = mine + (1 - SOMETIMES_SHARE) * spared, left - spared
    else:
        left -= sum(group.gain for group in chosen)
    if left < TOGETHER:
        return none  # nothing is left that others could explain
    best: list[Weighed] = []
    tried, most = {chosen[0].assumption}, mine - NOT_FAR_BEHIND
    starts = groups[:STARTS]
    known = [chosen[0].assumption, *(group.assumption for group in starts)]
    for group in (*starts, *_parts(evidence, hypotheses, known, most + LAST_FAULT_WORTH)):
        if group.assumption in tried:
            continue
        tried.add(group.assumption)
        # Together they are as sure as any, however unlikely each is alone.
        answers = evidence.replay.replay(group.assumption, first=group.onset)
        gain = whole_gain(evidence, answers, group.assumption, group.onset)
        gain -= ONSET_PRICE if group.onset else 0.0
        first = replace(group, gain=gain, sometimes=False, probability=listed(evidence))
        wanted = max(PERHAPS_GAIN, most + LAST_FAULT_WORTH - gain - group.prior_bits)
        more, _ = further(evidence, hypotheses, first, wanted)
        chain = [first, *more]
        if not more or any(each.members & chosen[0].members for each in more):
            continue  # nothing else instead of it
        worth_it = worth(chain, _price(evidence, chain))
        if worth_it > most:
            best, most = chain, worth_it
    return best, most - mine


def all_right(evidence: Evidence, chosen: list[Weighed]) -> bool:
    """Whether what was chosen leaves no level wrong, and was not free to choose its bytes."""
    all_of_them = _together(chosen)
    if all_of_them is None or any(group.sometimes for group in chosen):
        return False
    return all_of_them.loose < 0 and _wrong(evidence, all_of_them) == 0


def _together(chain: list[Weighed]) -> Assumption | None:
    """All of several at once, or None where two speak of the same thing."""
    joined: Assumption | None = HEALTHY
    for group in chain:
        joined = joined and join(joined, group.assumption)
    return joined


def _price(evidence: Evidence, chain: list[Weighed]) -> float:
    """Price of the last of several: where hardly a wrong level is left that the others leave, it
    explains no noise.
    """
    all_of_them, but_the_last = _together(chain), _together(chain[:-1])
    if all_of_them is None or but_the_last is None:
        return TOGETHER
    left = _wrong(evidence, all_of_them)
    exactly = left <= LAST_FAULT_LEAVES * evidence.replay.wrong
    return LAST_FAULT_WORTH if exactly and left < _wrong(evidence, but_the_last) else TOGETHER


def _spared(evidence: Evidence, assumption: Assumption) -> float:
    """Bits that a fault explains which comes and goes: it is there where it explains."""
    spared = evidence.replay.healthy.cost - evidence.replay.replay(assumption).cost
    return float(spared[spared > 0].sum(dtype=np.float64))


def _parts(
    evidence: Evidence, hypotheses: list[Hypothesis], known: list[Assumption], least: float
) -> Iterator[Weighed]:
    """The faults that last and explain most, but for what is `known`, the likeliest first; the one
    that explains most where it explains anything, whatever it costs elsewhere; and one of the pair
    that explains most together, if that comes to `least` bits, priors included: each may be far
    from the likeliest alone. Their own gains are left open.

    What two explain together is first taken for what either explains, cycle by cycle; the best on
    each data line is among them. Of pairs with the likeliest those were weighed that count.
    """
    replay = evidence.replay
    healthy = replay.early_cost(HEALTHY, PAIRED_CYCLES)
    found: dict[Assumption, _Early] = {}
    told_of: dict[Assumption, npt.NDArray[np.float32]] = {}  # one replay for the same answers
    for each in sorted(hypotheses, key=lambda h: -h.prior_bits):
        if each.assumption not in found:
            same = same_answers(evidence).stand_in(each.assumption)
            if same not in told_of:
                told_of[same] = replay.early_cost(same, PAIRED_CYCLES)
            found[each.assumption] = each, told_of[same]
    told = list(found.values())
    alone, at_best = [], []
    for place, (each, cost) in enumerate(told):
        alone.append((float(cost.sum(dtype=np.float64)) - each.prior_bits, place))
        least_cost = np.minimum(cost, healthy).sum(dtype=np.float64)
        at_best.append((float(least_cost) - each.prior_bits, place))
    alone.sort()
    at_best.sort()
    stories = [found[does][1] for does in known if does in found]
    for each in _other_stories([told[place] for _, place in alone], stories):
        yield _one_of(each, hypotheses)
    if told:
        yield _one_of(told[at_best[0][1]][0], hypotheses)
    half = MOST_PAIRED // 2
    likeliest = [place for way in (alone, at_best) for _, place in way[:half]]
    of_each = {lines_changed(told[place][0].assumption): place for _, place in reversed(at_best)}
    on_one_line = [of_each[line] for line in DATA_LINES if line in of_each]
    places = dict.fromkeys([*likeliest, *on_one_line])
    pool = [told[place] for place in places if told[place][0].assumption != known[0]]
    pair = _best_pair(evidence, pool, healthy, least)
    if pair is not None:
        # One that was tried already did not lead to the other: start from that.
        one = next((each for each in pair if each.assumption not in known), pair[0])
        yield _one_of(one, hypotheses)


def _other_stories(
    by_worth: list[_Early], stories: list[npt.NDArray[np.float32]]
) -> list[Hypothesis]:
    """The first few that explain other cycles than what is known, or than each other."""
    chosen: list[Hypothesis] = []
    for each, cost in by_worth:
        if len(chosen) == STARTS:
            break
        apart = (float(abs(cost - story).sum(dtype=np.float64)) for story in stories)
        if min(apart, default=np.inf) > SAME_STORY:
            chosen.append(each)
            stories = [*stories, cost]
    return chosen


def _best_pair(
    evidence: Evidence, pool: list[_Early], healthy: npt.NDArray[np.float32], least: float
) -> tuple[Hypothesis, Hypothesis] | None:
    """The pair that explains most together, if that comes to `least` bits, priors included.

    `healthy` are the bits of each of the first cycles on a sound board: what two explain that act
    on different data lines adds up.
    """
    if len(pool) < 2:
        return None
    prior = np.array([each.prior_bits for each, _ in pool])
    costs = np.stack([cost for _, cost in pool])
    told = (costs != 0).any(axis=0)
    costs, healthy = costs[:, told], healthy[told]
    lines = np.array([lines_changed(each.assumption) for each, _ in pool])
    pairs = []
    for i, mine in enumerate(costs[:-1]):
        others = costs[i + 1 :]
        left = np.minimum(mine, others).sum(axis=1, dtype=np.float64)
        apart = (lines[i] != 0) & (lines[i + 1 :] != 0) & (lines[i] & lines[i + 1 :] == 0)
        both = np.maximum(mine + others[apart] - healthy, 0)
        left[apart] = both.sum(axis=1, dtype=np.float64)
        bits = prior[i] + prior[i + 1 :] - left
        pairs += [(float(each), i, i + 1 + j) for j, each in enumerate(bits)]
    best: tuple[Hypothesis, Hypothesis] | None = None
    for _, i, j in sorted(pairs, key=lambda pair: -pair[0])[:PAIRS_TRIED]:
        joined = join(pool[i][0].assumption, pool[j][0].assumption)
        if joined is None:
            continue
        gain = whole_gain(evidence, evidence.replay.replay(joined), joined)
        bits = gain + prior[i] + prior[j]
        if bits >= least:
            best, least = (pool[i][0], pool[j][0]), bits
    return best


def _one_of(best: Hypothesis, hypotheses: list[Hypothesis]) -> Weighed:
    """A hypothesis as a group with those that do the same; its gain is left open."""
    does = best.assumption
    same = (h.fault for h in hypotheses if h.assumption == does and h.fault != best.fault)
    return Weighed(best.fault, tuple(same), 0.0, 1.0, 0, False, does, best.prior_bits)


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
    given = first.assumption
    named, certainty, sure = first.members, first.probability, listed(evidence)
    more: list[Weighed] = []
    share = SECOND_FAULT_SHARE * first.gain
    floor = max(SECOND_FAULT_GAIN, share)
    if wanted:  # held against another explanation, what its own model leaves does not matter
        floor = LAST_FAULT_GAIN
    if given.loose >= 0:
        floor = BESIDE_CONTENT  # another content explains its bytes whole, and nothing else
    instead: list[Weighed] = []
    for _ in range(MAX_FAULTS - 1):
        least = wanted or MIN_GAIN
        before = evidence.replay.replay(given)
        if before.total <= least:
            break  # nothing that could be gained
        left = _wrong(evidence, given)
        told = [*hypotheses, *proposed_beside(evidence, before)]
        scored = score(evidence, told, given, least)
        if given.loose >= 0:
            scored = _beside_content(evidence, scored, given, before, left)
        groups = groups_of(scored, _open(evidence, scored, given, left), sure, besides=True)
        one_more, both, besides = None, given, []
        for group in groups:
            joined = join(given, group.assumption)
            if joined is None or group.gain <= least or group.members & named:
                continue
            spared = left - _wrong(evidence, joined, given if group.sometimes else None)
            much = group.gain > floor and (
                given.loose < 0
                or spared > BESIDE_CONTENT
                or _elsewhere(evidence, given, before, joined) > max(SECOND_FAULT_GAIN, share)
            )
            worth_it = group.gain + group.prior_bits > LAST_FAULT_WORTH
            last = (group.gain > LAST_FAULT_GAIN or worth_it) and group.probability >= LIKELY
            exactly = spared >= (1 - LAST_FAULT_LEAVES) * left > 0
            if much or (last and exactly):
                one_more, both = group, joined
                break
            told_at_all = exactly or group.gain > PERHAPS_GAIN
            if told_at_all and (knows_a_rom(evidence) or spared >= WRONG_ONLY[0]):
                besides.append(group)
        if one_more is None:
            at_roms = _at_roms(evidence, scored, given)
            besides = [g for g in at_roms if not g.members & named] + [
                g for g in besides if not any(g.members & other.members for other in at_roms)
            ]
            instead += [perhaps(each, certainty) for each in besides[:MOST_PERHAPS]]
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
        if one_more.sometimes:
            break  # what it leaves is not known
        given, wanted, floor = both, 0.0, max(floor, SECOND_FAULT_GAIN)
    told_of = {fault for each in more for fault in each.members}
    return more, [
        each
        for each in instead
        if each.probability >= MIN_PROBABILITY and not each.members & told_of
    ]


def already_there(
    evidence: Evidence, hypotheses: list[Hypothesis], first: Weighed
) -> list[Weighed]:
    """What was wrong before the likeliest fault began, by the cycles before it alone: one that is
    there from the start, or none.
    """
    if not first.onset:
        return []
    before = gather(evidence.reading, first.onset)
    wrong = before.replay.wrong
    if not wrong:
        return []
    scored = score(before, hypotheses, HEALTHY, PERHAPS_GAIN)
    groups = groups_of(scored, wrong, listed(evidence), besides=True)
    return [group for group in groups[:1] if not group.members & first.members]


def _open(evidence: Evidence, scored: list[Scored], given: Assumption, left: float) -> float:
    """Bits of wrong levels that a fault which is not listed could explain better than the likeliest
    that is: where that leaves hardly any, what it does not gain are bytes that nobody knew before,
    and whatever made the others right would have to pay for these as well.
    """
    likeliest = max(scored, key=lambda s: s.weight_bits, default=None)
    if likeliest is None or likeliest.sometimes:
        return left
    joined = join(given, likeliest.hypothesis.assumption)
    if joined is None or _wrong(evidence, joined) > LAST_FAULT_LEAVES * left:
        return left
    return min(left, likeliest.gain)


def _at_roms(evidence: Evidence, scored: list[Scored], given: Assumption) -> list[Weighed]:
    """The likeliest of what explains all bytes in which ROMs still differ from their images: that
    stands by itself, however much noise of a program that runs wild nothing explains.
    """
    replay = evidence.replay
    known = [i for i, ref in enumerate(replay.chips) if replay.has_image(ref) and i != given.loose]
    mine = np.zeros(evidence.n, dtype=np.bool_)
    for chip in known:
        mine |= sole_driver(evidence, chip)

    def wrong(assumption: Assumption) -> float:
        cost = replay.replay(assumption, WRONG_ONLY).cost
        return float(cost[mine].sum(dtype=np.float64))

    left = wrong(given)
    if left < WRONG_ONLY[0]:
        return []
    likeliest = sorted((s for s in scored if not s.sometimes), key=lambda s: -s.weight_bits)
    fits = [
        each
        for each in likeliest[:AT_ROMS_TRIED]
        if (joined := join(given, each.hypothesis.assumption)) is not None
        and wrong(joined) <= LAST_FAULT_LEAVES * left
    ]
    return groups_of(fits, left, listed(evidence), besides=True)[:1]


def _beside_content(
    evidence: Evidence, scored: list[Scored], given: Assumption, before: Answers, left: float
) -> list[Scored]:
    """What explains anything but the bytes of a ROM of another content: these may be any, and what
    they are like is judgement. `before` is what the board answers with that ROM, and `left` the
    bits of wrong levels beside it.
    """
    fits = []
    tried: dict[Assumption, bool] = {}
    for each in sorted(scored, key=lambda s: -s.weight_bits):
        joined = join(given, each.hypothesis.assumption)
        if joined is None:
            continue
        if joined not in tried and len(tried) < BESIDE_CONTENT_TRIED:
            spared = left - _wrong(evidence, joined, given if each.sometimes else None)
            tried[joined] = spared >= WRONG_ONLY[0] or (
                not each.sometimes and _elsewhere(evidence, given, before, joined) >= PERHAPS_GAIN
            )
        if tried.get(joined, False):
            fits.append(each)
    return fits


def _elsewhere(evidence: Evidence, given: Assumption, before: Answers, joined: Assumption) -> float:
    """Bits that one more fault explains beside a ROM of another content, see `_no_bytes_of`."""
    spared = before.cost - evidence.replay.replay(joined).cost
    told = _no_bytes_of(evidence, given.loose, before)
    return float(spared[told].sum(dtype=np.float64))


@lru_cache(maxsize=1)  # asked for each hypothesis
def _no_bytes_of(evidence: Evidence, rom: int, before: Answers) -> npt.NDArray[np.bool_]:
    """Cycles in which no byte of a ROM is read, nor one that nobody knows of a RAM under it: a
    program may have copied the ROM there before the capture. Bool, shape (n,).
    """
    replay = evidence.replay
    reads_rom = replay.banks.responds[replay.banks.rows, READ] >> np.uint32(rom) & 1 == 1
    under = reads_rom.any(axis=0)[replay.address]
    of_ram = before.drivers & np.uint32(replay.of_kind(RAM)) != 0
    copied = of_ram & (before.expected_known == 0) & under
    told: npt.NDArray[np.bool_] = ~(sole_driver(evidence, rom) | copied)
    return told


def _wrong(evidence: Evidence, given: Assumption, now_and_then: Assumption | None = None) -> float:
    """Bits of wrong levels that faults leave; where one of them comes and goes, in each cycle with
    it or without, as `now_and_then` has it.
    """
    answers = evidence.replay.replay(given, WRONG_ONLY)
    if now_and_then is None:
        return answers.total
    away = evidence.replay.replay(now_and_then, WRONG_ONLY)
    return float(np.minimum(answers.cost, away.cost).sum(dtype=np.float64))
