"""What a hypothesis explains: bits over a sound board, from the replay of what the chips answered.

``gain(h) = cost(sound board) - cost(h)``. A fault may begin in mid-run, or come and go.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.hypotheses import Hypothesis
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.read_again import first_reads, lines_changed, sound_lines
from bustrace.findings import (
    EITHER_WINS,
    HEALTHY,
    SOMETIMES_PRICE,
    Answers,
    Assumption,
    Evidence,
    sole_driver,
)

MIN_GAIN = 5.0
"""Bits of evidence below which a hypothesis is not worth naming."""

ONSET_PRICE = 12.0
"""Bits for a fault that begins in the middle of the capture: one free parameter."""

SWAP_LATER = 60.0
"""The same for chips in each other's sockets: nobody swaps them while the board runs."""

SOMETIMES_SHARE = 0.75
"""Share of what it spares that a fault that comes and goes is credited with: it may choose its
cycles, and what is seen again and again is only counted once."""

_TELLS = 0.5
"""Bits by which a cycle must differ to tell whether a fault was there."""

OUT_OF_SIGHT = 60.0
"""Hypotheses this far (bits) behind the best are not weighed to the end: no prior makes up for
it."""

FIRST_CYCLES = 2_000
"""Cycles that tell which hypotheses to weigh first: after reset most faults show early."""

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
    joins = [(h, join(given, h.assumption)) for h in hypotheses]
    wanted = [(h, joined) for h, joined in joins if joined is not None and joined != given]
    gained: dict[Assumption, tuple[float, int, bool]] = {}
    least = floor
    for joined in _promising_first(evidence, [joined for _, joined in wanted]):
        answers = evidence.replay.replay_while(joined, base_gain + least)
        if answers is not None:
            gain, onset = gain_of(evidence, answers, joined, before)
            gain -= base_gain
            now_and_then = 0.0 if given_from else _sometimes(evidence, base, answers)
            sometimes = now_and_then > max(gain, MIN_GAIN)
            if sometimes:
                gain, onset = now_and_then, 0
            gained[joined] = gain, onset, sometimes
            least = max(least, gain - OUT_OF_SIGHT)
    # Whatever the order in which they were tried, the same ones are kept.
    return [
        Scored(hypothesis, *gained[joined])
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


def gain_of(
    evidence: Evidence, answers: Answers, assumption: Assumption, before: Assumption
) -> tuple[float, int]:
    """Bits over the healthy board, and the cycle from which the fault is taken to be there."""
    whole = whole_gain(evidence, answers, assumption)
    price = ONSET_PRICE if assumption.swap_a < 0 else SWAP_LATER
    if answers.gain - price <= max(whole, MIN_GAIN):
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
    extra += _gave_others(evidence, answers, assumption.loose, first)
    extra += _of_style(evidence, answers, assumption, first)
    return evidence.replay.healthy.total - extra - answers.total


def _cut_off(evidence: Evidence, answers: Answers, assumption: Assumption) -> float:
    """Bits for chips that would get no writes, and yet ask for what was written to them."""
    unheard = evidence.heard & (assumption.deaf | ~answers.written_to)
    return CUT_OFF * unheard.bit_count()


def _gave_others(evidence: Evidence, answers: Answers, rom: int, first: int) -> float:
    """Bits that the content of a ROM is not credited with: those of addresses at which it gave now
    this byte and now that one. Another content is always the same one.
    """
    if rom < 0:
        return 0.0
    replay = evidence.replay
    reads = np.flatnonzero(sole_driver(evidence, rom) & (replay.data_known == 0xFF))
    reads = reads[reads >= first]
    places, at = np.unique(replay.address[reads], return_inverse=True)
    given = replay.data[reads]
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


def _sometimes(evidence: Evidence, base: Answers, answers: Answers) -> float:
    """Bits over the board without it for a fault that comes and goes.

    In each surprising cycle it may be there or not, whichever explains more; to say when costs as
    much as the choice of so many out of so many: n H(k / n) (Shannon's entropy). A byte that nobody
    knew tells nothing of a fault that may be away.
    """
    spared = base.cost - answers.cost
    for reads in first_reads(evidence):
        spared[reads] = 0.0
    there, away = int((spared > _TELLS).sum()), int((spared < -_TELLS).sum())
    both = there + away
    if not there or not away:
        return 0.0
    share = there / both
    choice = -both * (share * np.log2(share) + (1 - share) * np.log2(1 - share))
    # Where it may as well be away, it is credited with nothing.
    explained = float(spared[spared > _TELLS].sum(dtype=np.float64))
    return SOMETIMES_SHARE * explained - float(choice) - SOMETIMES_PRICE
