"""What a hypothesis explains: bits over a sound board, from the replay of what the chips answered.

``gain(h) = cost(sound board) - cost(h)``. A fault may begin in mid-run, or come and go.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.hypotheses import Hypothesis
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.read_again import first_reads, lines_changed, sound_lines
from bustrace.diagnosis.same_answers import same_answers
from bustrace.findings import (
    EITHER_WINS,
    HEALTHY,
    SOMETIMES_PRICE,
    SOMETIMES_SHARE,
    TELLS,
    Answers,
    Assumption,
    Evidence,
    NowAndThen,
    choice_bits,
    sole_driver,
)

MIN_GAIN = 5.0
"""Bits of evidence below which a hypothesis is not worth naming."""

ONSET_PRICE = 12.0
"""Bits for a fault that begins in the middle of the capture: one free parameter."""

SWAP_LATER = 60.0
"""The same for chips in each other's sockets: nobody swaps them while the board runs."""

OUT_OF_SIGHT = 60.0
"""Hypotheses this far (bits) behind the best are not weighed to the end: no prior makes up for
it."""

FAR_BEHIND, FAR_BEHIND_SHARE = 30.0, 0.5
"""The same, their priors included: a chance of one in a billion; and as a share of what the best
explains, for its model need not be that precise."""

FIRST_CYCLES = 2_000
"""Cycles that tell which hypotheses to weigh first: after reset most faults show early."""

PACED_FROM = 8_000
"""Cycles above which a hypothesis must keep pace with the likeliest: in a shorter capture there is
time to see what it makes of the rest."""

CUT_OFF = 10.0
"""Bits for a chip that asks for what it never got: as for any level that should not be."""

EITHER = 10.0
"""Bits for two drivers of which now one wins and now the other: mostly one does, for NMOS and TTL
pull down harder than up (judgement), and who wins is looked up in each of these very reads."""


@dataclass(frozen=True, slots=True)
class Scored:
    """A hypothesis with what it explains: bits over a sound board, from a cycle on, or as a fault
    that comes and goes.
    """

    hypothesis: Hypothesis
    gain: float
    onset: int
    sometimes: bool

    @property
    def weight_bits(self) -> float:
        """Its gain and its prior."""
        return self.gain + self.hypothesis.prior_bits


def score(
    evidence: Evidence, hypotheses: list[Hypothesis], given: Assumption, floor: float
) -> list[Scored]:
    """Gain over what is given already of every hypothesis that can come to `floor` bits."""
    base_gain, given_from, base = 0.0, 0, evidence.replay.healthy
    if given != HEALTHY:
        base = evidence.replay.replay(given)
        base_gain, given_from = gain_of(evidence, base, given, HEALTHY)
    before = HEALTHY if given_from else given
    tells = _tells(evidence, given.loose)
    joins = [(h, join(given, h.assumption)) for h in hypotheses]
    stand_in = same_answers(evidence).stand_in
    wanted = [(h, stand_in(both)) for h, both in joins if both is not None and both != given]
    priors: dict[Assumption, float] = {}
    for hypothesis, joined in wanted:
        priors[joined] = max(hypothesis.prior_bits, priors.get(joined, -np.inf))
    may_come = NowAndThen(
        base.cost,
        tells,
        float(base.cost[tells].sum(dtype=np.float64)),
        float(base.cost.max(initial=TELLS)),
        np.inf,
    )
    gained: dict[Assumption, tuple[float, int, bool]] = {}
    best, best_bits, pace = 0.0, -np.inf, None

    def least_of(prior: float) -> float:
        if given.loose >= 0:
            return floor  # beside another content even the likeliest may yet be left out
        behind = max(FAR_BEHIND, FAR_BEHIND_SHARE * best)
        return max(floor, best - OUT_OF_SIGHT, best_bits - behind - prior)

    for joined in _promising_first(evidence, wanted, given):
        least = least_of(priors[joined])
        # Beside a fault that begins in mid-run none is looked for that comes and goes.
        now_and_then = may_come if given_from else may_come._replace(least=least)
        answers = evidence.replay.replay_while(
            joined, base_gain + least, onset_price(joined), now_and_then, pace
        )
        if answers is None:
            continue
        gain, onset = gain_of(evidence, answers, joined, before, base_gain + least)
        gain -= base_gain
        in_cycles = 0.0 if given_from else _sometimes(evidence, base, answers, given.loose)
        sometimes = in_cycles > max(gain, MIN_GAIN)
        if sometimes:
            gain, onset = in_cycles, 0
        if gain < least:
            continue  # as if the replay had seen it in time
        if not sometimes and evidence.n > PACED_FROM and gain + priors[joined] > best_bits:
            pace = _pace(base.cost - answers.cost, gain)
        gained[joined] = gain, onset, sometimes
        best, best_bits = max(best, gain), max(best_bits, gain + priors[joined])
    return [
        Scored(hypothesis, *gained[joined])
        for hypothesis, joined in wanted
        if joined in gained and gained[joined][0] >= least_of(priors[joined])
    ]


def _pace(spared: npt.NDArray[np.float32], gain: float) -> npt.NDArray[np.float64]:
    """Bits that must be gained by each cycle, not to be out of sight of what gains the most: what
    is so far behind when that has gained so much is not the likeliest any more, whatever follows.
    """
    gained = np.cumsum(spared, dtype=np.float64)
    gained += min(0.0, gain - float(gained[-1]))  # what it is not credited with
    return gained - np.maximum(OUT_OF_SIGHT, FAR_BEHIND_SHARE * gained)


def _promising_first(
    evidence: Evidence, wanted: list[tuple[Hypothesis, Assumption]], given: Assumption
) -> list[Assumption]:
    """Each assumption once; in a long capture what is likeliest by its first cycles comes first,
    so that the rest need not be replayed to the end.

    What a hypothesis explains beside what is given is taken for what either explains, cycle by
    cycle.
    """
    if evidence.n <= 2 * FIRST_CYCLES:
        return list(dict.fromkeys(joined for _, joined in wanted))
    costs = _first_costs(evidence)
    stand_in = same_answers(evidence).stand_in

    def cost_of(assumption: Assumption) -> npt.NDArray[np.float32]:
        assumption = stand_in(assumption)
        if assumption not in costs:
            costs[assumption] = evidence.replay.early_cost(assumption, FIRST_CYCLES)
        return costs[assumption]

    most = cost_of(given) if given != HEALTHY else np.float32(np.inf)
    bits: dict[Assumption, float] = {}
    for hypothesis, joined in wanted:
        cost = np.minimum(cost_of(hypothesis.assumption), most)
        less = float(cost.sum(dtype=np.float64)) - hypothesis.prior_bits
        bits[joined] = min(less, bits.get(joined, np.inf))
    return sorted(bits, key=lambda joined: bits[joined])


@lru_cache(maxsize=1)  # they are asked for again with each fault that is given
def _first_costs(evidence: Evidence) -> dict[Assumption, npt.NDArray[np.float32]]:
    """Bits of each of the first cycles under the assumptions that were asked for so far."""
    return {}


def onset_price(assumption: Assumption) -> float:
    """Bits for a fault that begins in the middle of the capture."""
    return ONSET_PRICE if assumption.swap_a < 0 else SWAP_LATER


def gain_of(
    evidence: Evidence,
    answers: Answers,
    assumption: Assumption,
    before: Assumption,
    floor: float = MIN_GAIN,
) -> tuple[float, int]:
    """Bits over the healthy board, and the cycle from which the fault is taken to be there. A
    later one is not looked for where that would not come to `floor` bits.
    """
    whole = whole_gain(evidence, answers, assumption)
    price = onset_price(assumption)
    if answers.gain - price <= max(whole, floor):
        return whole, 0
    # What was paid before the onset made later surprises cheap: weigh it again without.
    again = evidence.replay.replay(assumption, first=answers.onset, before=before)
    late = whole_gain(evidence, again, assumption, answers.onset) - price
    return (late, answers.onset) if late > whole else (whole, 0)


def whole_gain(
    evidence: Evidence, answers: Answers, assumption: Assumption, first: int = 0
) -> float:
    """Bits over the healthy board, from the answers under an assumption, held from a cycle on."""
    extra = _cut_off(evidence, answers, assumption) + _chosen(evidence, assumption)
    extra += _gave_others(evidence, answers, assumption, first)
    extra += _of_style(evidence, answers, assumption, first)
    return evidence.replay.healthy.total - extra - answers.total


def _cut_off(evidence: Evidence, answers: Answers, assumption: Assumption) -> float:
    """Bits for chips that would get no writes, and yet ask for what was written to them."""
    unheard = evidence.heard & (assumption.deaf | ~answers.written_to)
    return CUT_OFF * unheard.bit_count()


def _gave_others(evidence: Evidence, answers: Answers, assumption: Assumption, first: int) -> float:
    """Bits that the content of a ROM is not credited with: those of addresses at which it gave now
    this byte and now that one. Another content is always the same one, but on data lines that a
    fault beside it makes differ.
    """
    rom = assumption.loose
    if rom < 0:
        return 0.0
    replay = evidence.replay
    reads = np.flatnonzero(sole_driver(evidence, rom) & (replay.data_known == 0xFF))
    reads = reads[reads >= first]
    places, at = np.unique(replay.address[reads], return_inverse=True)
    given = replay.data[reads] & np.uint8(0xFF & ~lines_changed(assumption))
    gave: npt.NDArray[np.uint8] = np.zeros(len(places), np.uint8)
    gave[at] = given
    varies = np.zeros(len(places), np.bool_)
    varies[at[given != gave[at]]] = True
    spared = (replay.healthy.cost - answers.cost)[reads[varies[at]]]
    return float(spared[spared > 0].sum(dtype=np.float64))


def _of_style(evidence: Evidence, answers: Answers, assumption: Assumption, first: int) -> float:
    """Bits that data lines which are seen to be sound are not credited with: those of bytes that
    nobody knew. What is unusual there is the program's style.
    """
    lines = lines_changed(assumption)
    bits = 0.0
    if not lines:
        return bits
    for reads, sound in zip(first_reads(evidence), sound_lines(evidence), strict=True):
        if not lines & ~sound:
            reads = reads[reads >= first]
            spared = (evidence.replay.healthy.cost - answers.cost)[reads]
            bits += float(spared[spared > 0].sum(dtype=np.float64))
    return bits


def _chosen(evidence: Evidence, assumption: Assumption) -> float:
    """Bits for what was chosen by these very reads: of a chip that is stronger than some chips and
    weaker than others, one for each other chip that is read; and for two drivers of which now one
    wins and now the other.
    """
    if assumption.fight == EITHER_WINS:
        return EITHER
    if not assumption.yields:
        return 0.0
    others = np.bitwise_or.reduce(evidence.replay.healthy.drivers) & ~np.uint32(assumption.always)
    return float(int(others).bit_count())


def _sometimes(evidence: Evidence, base: Answers, answers: Answers, loose: int = -1) -> float:
    """Bits over the board without it for a fault that comes and goes.

    In each surprising cycle it may be there or not, whichever explains more, and to say when costs
    bits too. A byte that nobody knew tells nothing of a fault that may be away, nor do those of a
    ROM of another content, `loose`: it would pick the ones that it makes right by chance.
    """
    spared = (base.cost - answers.cost)[_tells(evidence, loose)]
    there, away = spared > TELLS, spared < -TELLS
    if not there.any() or not away.any():
        return 0.0
    # Where it may as well be away, it is credited with nothing.
    explained = float(spared[there].sum(dtype=np.float64))
    choice = choice_bits(int(there.sum()), int(away.sum()))
    return SOMETIMES_SHARE * explained - float(choice) - SOMETIMES_PRICE


@lru_cache(maxsize=2)  # asked for each hypothesis
def _tells(evidence: Evidence, loose: int) -> npt.NDArray[np.bool_]:
    """Cycles that can tell whether a fault is there that comes and goes, beside the ROM `loose` of
    another content, -1 for none: bool, shape (n,).
    """
    tells = np.ones(evidence.n, dtype=np.bool_)
    for reads in first_reads(evidence):
        tells[reads] = False
    if loose >= 0:
        tells &= ~sole_driver(evidence, loose)
    return tells
