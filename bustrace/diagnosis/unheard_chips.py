"""Chips of which nothing is heard: no request comes through, or no byte of their own is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from bustrace.diagnosis.checks import check_for, swap
from bustrace.diagnosis.explaining import BOARD_RULES
from bustrace.diagnosis.hypotheses import active_level
from bustrace.diagnosis.model import Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import SELECT, Fault
from bustrace.findings import Finding, Observations, shown_to_answer
from bustrace.program import Kind

UNHEARD, UNHEARD_BESIDE = 0.6, 0.4
"""Probability of a chip whose request is not heard, or of the line that such chips share; and the
same where more is wrong, which may keep the program's bytes from the chip (judgement)."""

NEITHER = 0.8
"""Probability that a chip is not reached of which no request is heard and no byte is read, where
each alone has a plainer cause: as for a weighed suspect that explains all."""

LESS_LIKELY = 0.5
"""Share that is left to the less likely of two ways not to ask (judgement). A chip of which no read
shows that it answers is rather dead or never selected than ill in one register; several that do not
ask rather share a line that is held (common practice)."""

EVEN = 0.5
"""Probability of a chip that may not answer, or may be at rest with what the bus held before: one
byte in 256 by chance, but a chip that answers nothing is rarer than one that waits."""


def not_reached(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """The chips that do not hear that they are meant: they neither answer nor ask. And those that
    do not ask, and of which no read shows that they answer: likely they do not.
    """
    neither = _neither(seen)
    for ref in neither:
        yield _unreached(seen, ref, NEITHER, ("poll-unanswered", "interrupt-unheard"))
    asking = _asking_in_vain(faults, neither)
    probability = _unheard(faults) * (1.0 if len(asking) == 1 else LESS_LIKELY)
    for ref in asking:
        if not shown_to_answer(seen.evidence, ref):
            yield _unreached(seen, ref, probability, ("interrupt-unheard",))


def _unreached(
    seen: Observations, ref: str, probability: float, explains: tuple[str, ...]
) -> Suspect:
    board = seen.evidence.reading.board
    rests = 1 - active_level(board, ref)
    line = (f"{SELECT}{ref}",)
    places = [ref, "behind"]
    if ref not in seen.evidence.reading.cycles.select_names:
        places += ["bus", "decoder"]
    alike = [Fault("stuck", line, level=rests, place=place) for place in places]
    if rests:  # an open input acts high
        alike.insert(0, Fault("open", line, place=ref))
    return suspected(Fault("silent", chip=ref), probability, explains, board, alike=tuple(alike))


def _neither(seen: Observations) -> set[str]:
    """Chips of which no request is heard and no byte of their own is read."""
    rules = ("poll-unanswered", "interrupt-unheard")
    told = ({f.chips[0] for f in seen.findings if f.rule == rule} for rule in rules)
    return set.intersection(*told)


def _asking_in_vain(faults: list[Finding], neither: set[str]) -> list[str]:
    """Chips of which no request is heard, and nothing else is known."""
    unheard = (f.chips[0] for f in faults if f.rule == "interrupt-unheard")
    return [ref for ref in unheard if ref not in neither]


def unheard_requests(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """The chips that ask and are not heard, or the line that they share."""
    reading = seen.evidence.reading
    board = reading.board
    chips = [Fault("register", chip=ref) for ref in _asking_in_vain(faults, _neither(seen))]
    line = Fault("held", ("IRQ",), level=1)
    heard = (reading.cycles.pin("IRQ") == 0).any() or (reading.program.kind == Kind.IRQ).any()
    classes: list[tuple[Fault, ...]]
    if heard or not chips:
        classes = [(chip,) for chip in chips]
    else:
        # One chip fails as often as the line; several that fail together are the line.
        classes = [(*chips, line)] if len(chips) == 1 else [(line,)]
    against = ("what else is wrong may keep the program's bytes from the chip",)
    for fault, *alike in classes:
        shown = fault.chip is None or shown_to_answer(seen.evidence, fault.chip)
        suspect = suspected(
            fault,
            _unheard(faults) * (1.0 if shown else LESS_LIKELY),
            ("interrupt-unheard",),
            board,
            against=against if _more_is_wrong(faults) else (),
        )
        if alike:  # the line's two ends are looked at before a chip is pulled
            swapped = swap(board, fault.chips[0])
            suspect = replace(
                suspect,
                check=check_for(line, board),
                alike=tuple(alike),
                tell_apart=f"IRQ is high at both: {swapped}. Still high: something holds IRQ.",
            )
        yield suspect


def _unheard(faults: list[Finding]) -> float:
    return UNHEARD_BESIDE if _more_is_wrong(faults) else UNHEARD


def _more_is_wrong(faults: list[Finding]) -> bool:
    return any(finding.rule in BOARD_RULES for finding in faults)


def perhaps_silent(seen: Observations) -> Iterator[Suspect]:
    """A chip of which all reads repeat what the bus held: it may be at rest, or not answer."""
    neither = _neither(seen)
    for finding in seen.findings:
        if finding.rule == "poll-unanswered" and finding.chips[0] not in neither:
            yield suspected(
                Fault("silent", chip=finding.chips[0]),
                EVEN,
                (finding.rule,),
                seen.evidence.reading.board,
                against=("a port at rest at that byte looks the same",),
            )
