"""The verdict as text, in the order in which a person at the bench needs it."""

from __future__ import annotations

from bustrace.capture.model import Note
from bustrace.diagnosis import Diagnosis, Suspect
from bustrace.diagnosis.advice import RAILS
from bustrace.diagnosis.naming import line_words
from bustrace.findings import HELD_RULES, Finding
from bustrace.reading import Reading
from bustrace.report.layout import Cell, Mark, Paper
from bustrace.report.phrases import say_note, sentence
from bustrace.report.places import address_at
from bustrace.report.suspect_words import (
    caution_words,
    evidence_words,
    step_words,
    where_words,
)
from bustrace.report.words import class_words, probability_words
from bustrace.units import count_words, format_rate, format_time

_VERDICT_MARK: dict[str, Mark] = {
    "no fault seen": "good",
    "healthy up to": "good",
    "fault": "bad",
    "cannot conclude": "doubt",
}
_RUNG_MARK: dict[str, Mark] = {
    "ok": "good",
    "bad": "bad",
    "not seen": "doubt",
    "not captured": "quiet",
}
_LABEL = 10


def diagnosis_text(diagnosis: Diagnosis, reading: Reading, *, everything: bool = False) -> Paper:
    """The verdict, why it can be trusted, the evidence, and what to do.

    Parameters
    ----------
    diagnosis : Diagnosis
    reading : Reading
        The reading that was judged.
    everything : bool
        Show consequences, notes, facts and unlikely suspects too, which are counted otherwise.
    """
    paper = Paper()
    _verdict(paper, diagnosis, reading)
    _trust(paper, diagnosis, reading, everything)
    _ladder(paper, diagnosis)
    _derail(paper, diagnosis, reading)
    _suspects(paper, diagnosis, reading, everything)
    _steps(paper, diagnosis)
    _findings(paper, diagnosis, everything)
    _not_exercised(paper, diagnosis)
    return paper


def headline(diagnosis: Diagnosis) -> str:
    """The verdict in a few words: ``FAULT, very likely: A9 stuck high on the bus``."""
    if diagnosis.verdict == "healthy up to":
        return "HEALTHY UP TO WHERE THIS CAPTURE SHOWS IT"
    if diagnosis.verdict != "fault" or not diagnosis.suspects:
        return diagnosis.verdict.upper()
    top = diagnosis.suspects[0]
    sure = probability_words(top.probability).split(",")[0]
    first, *others = class_words((top.fault, *top.alike))
    more = ", or a fault that looks the same here" if others else ""
    return f"FAULT, {sure}: {first}{more}"


def first_sentence(diagnosis: Diagnosis) -> str:
    """What was observed first of all, in one sentence."""
    faults = [f for f in diagnosis.findings if f.severity == "fault"]
    if diagnosis.verdict == "fault" and faults:
        told = diagnosis.suspects[0].explains if diagnosis.suspects else ()
        return next((f for f in faults if f.rule in told), faults[0]).text
    return diagnosis.summary


def _verdict(paper: Paper, diagnosis: Diagnosis, reading: Reading) -> None:
    paper.say(headline(diagnosis), indent=0, mark=_VERDICT_MARK[diagnosis.verdict])
    paper.say(first_sentence(diagnosis), indent=0)
    board = reading.board
    judged = f"{board.name} ({board.source})" if board.source else board.name
    paper.say(f"{reading.capture.source or 'capture'}, against: {judged}", indent=0, mark="quiet")


def _trust(paper: Paper, diagnosis: Diagnosis, reading: Reading, everything: bool) -> None:
    paper.heading("Can I trust this capture?")
    capture = reading.capture
    rate = "sample rate not known" if capture.rate is None else format_rate(capture.rate, "S/s")
    if capture.mode == "state":
        rate = "one row a bus cycle (state mode)"
    rows = "rows" if capture.mode == "state" else "transitions"
    paper.say(
        f"{rate}, {len(capture):,} {rows} of {len(capture.lines)} lines over "
        f"{format_time(capture.duration_ps)}, {len(reading.cycles):,} bus cycles."
    )
    reset = next((rung for rung in diagnosis.ladder if rung.name == "reset released"), None)
    if reset is not None:
        released = "released " if reset.status == "ok" and reset.text.startswith("at ") else ""
        seen = "Reset in view: " if released else "Reset: "
        paper.say(sentence(f"{seen}{released}{reset.text}"))
    doubts = [note for note in diagnosis.trust if note.kind == "doubt"]
    guesses = [note for note in diagnosis.trust if note.kind == "guess"]
    shown = [note for note in guesses if everything or _matters(note, diagnosis, reading)]
    facts = [note for note in diagnosis.trust if note.kind == "fact"]
    if reading.hookup.questions:
        paper.say("Not yet: the file does not tell what its lines are clipped to.", mark="doubt")
    elif doubts:
        paper.say(f"With care: {count_words(len(doubts), 'doubt')}.", mark="doubt")
    else:
        paper.say("Yes, as far as the file tells: no reason to doubt it was found.")
    for note in doubts:
        say_note(paper, note)
    for note in shown:
        say_note(paper, note)
    if everything:
        for note in facts:
            say_note(paper, note)
        return
    folded = []
    if len(guesses) > len(shown):
        folded.append(count_words(len(guesses) - len(shown), "lesser guess", "lesser guesses"))
    if facts:
        folded.append(count_words(len(facts), "fact") + " read in the file or its names")
    if folded:
        paper.say(f"Folded: {', '.join(folded)} (--all shows them).", mark="quiet")


def _matters(note: Note, diagnosis: Diagnosis, reading: Reading) -> bool:
    """Whether a guess could change the verdict.

    A wrong guess about the file (its mode, unit, base or rate) leaves no program to follow, so a
    program that was found bears it out; only what is said of the clock then still hangs on it.
    """
    if note in reading.board.notes:
        return False
    if note not in reading.capture.notes or reading.program.method in ("none", "search"):
        return True
    return any(f.rule.startswith("clock-") and f.severity == "fault" for f in diagnosis.findings)


def _ladder(paper: Paper, diagnosis: Diagnosis) -> None:
    paper.heading("How far it came")
    for rung in diagnosis.ladder:
        word = "BAD" if rung.status == "bad" else rung.status
        cells = [Cell(rung.name, 19), Cell(word, 14, _RUNG_MARK[rung.status])]
        paper.say(rung.text, cells=cells)


def _derail(paper: Paper, diagnosis: Diagnosis, reading: Reading) -> None:
    paper.heading("Where it leaves the path")
    derail = diagnosis.derail
    faults = [f.rule for f in diagnosis.findings if f.severity == "fault"]
    if derail is None:
        if not len(reading.program) or reading.program.method in ("none", "search"):
            why = reading.program.reason or reading.cycles.reason or "no program was recovered"
            paper.say(f"Not known: {why}.")
        elif faults and all(rule in HELD_RULES for rule in faults):
            paper.say("At no cycle of its own: a line is wrong, not a byte that the program read.")
        elif faults:
            paper.say("No single cycle stands out as the first wrong one.")
        else:
            paper.say("Nowhere in this capture.")
        return
    at = f"Cycle {derail.cycle:,}, {format_time(derail.time_ps - reading.capture.start_ps)}"
    address = address_at(reading, derail.cycle)
    where = f", address ${address:04X}" if address is not None else ""
    paper.say(f"{at} into the capture{where}.", mark="strong")
    paper.say(derail.seen, cells=[Cell("seen", _LABEL, "quiet")])
    paper.say(derail.expected, cells=[Cell("expected", _LABEL, "quiet")])
    if derail.consequences:
        folded = count_words(derail.consequences, "consequence")
        paper.say(f"{folded} folded: what follows may only follow from this.")


def _suspects(paper: Paper, diagnosis: Diagnosis, reading: Reading, everything: bool) -> None:
    paper.heading("Suspects so far")
    unexplained = diagnosis.unexplained
    if not diagnosis.suspects:
        at_the_top = first_sentence(diagnosis)
        told = at_the_top in unexplained
        paper.say("None: what stands at the top has several causes." if told else "None.")
        unexplained = tuple(text for text in unexplained if text != at_the_top)
    shown = [
        s
        for place, s in enumerate(diagnosis.suspects)
        if everything or place == 0 or s.probability >= 0.05
    ]
    for number, suspect in enumerate(shown, 1):
        _suspect(paper, number, suspect, diagnosis, reading)
    left = len(diagnosis.suspects) - len(shown)
    if left:
        paper.say(
            f"{count_words(left, 'more suspect')} under 5 % (--all shows them).", mark="quiet"
        )
    for text in unexplained:
        paper.say(text, lead="No suspect explains this: ", mark="doubt")


def _suspect(
    paper: Paper, number: int, suspect: Suspect, diagnosis: Diagnosis, reading: Reading
) -> None:
    first, *others = class_words((suspect.fault, *suspect.alike))
    paper.say(f"{first[0].upper()}{first[1:]}", lead=f"{number}. ", mark="strong")
    alike = f" and {count_words(len(suspect.alike), 'other')}" if suspect.alike else ""
    paper.say(f"{probability_words(suspect.probability)}    {suspect.fault}{alike}", indent=5)

    def row(label: str, text: str) -> None:
        paper.say(text, indent=5, cells=[Cell(label, _LABEL, "quiet")])

    if others:
        row("or else", "; or ".join(others) + ": this capture cannot tell.")
    row("for", "; ".join(evidence_words(suspect.explains, diagnosis.findings)) or "-")
    row("against", "; ".join(evidence_words(suspect.against, diagnosis.findings)) or "nothing")
    where = where_words(suspect, reading)
    if where:
        row("where", where)


def _steps(paper: Paper, diagnosis: Diagnosis) -> None:
    paper.heading("Do this now")
    if not diagnosis.next_steps:
        paper.say("Nothing: no step would tell more.")
        return
    steps = step_words(diagnosis)
    rails = next((step for step in steps if step.startswith(RAILS)), "")
    now, *later = [step for step in steps if step != rails] or [rails]
    rails_too = rails not in ("", now)
    if rails_too and diagnosis.verdict == "fault":
        paper.say(rails)
    paper.say(now, mark="strong")
    if rails_too and diagnosis.verdict != "fault":
        paper.say(rails)
    if later:
        paper.blank()
        paper.say("Then, if that does not settle it:")
    for number, step in enumerate(later, 2):
        paper.say(step, lead=f"{number}. ")
    cautions = caution_words(steps)
    if cautions:
        paper.heading("Take care")
    for text in cautions:
        paper.say(text, lead="- ")


def _findings(paper: Paper, diagnosis: Diagnosis, everything: bool) -> None:
    paper.heading("Findings")
    if not diagnosis.findings:
        paper.say("None.")
        return
    shown, after, notes = [], 0, 0
    for finding in diagnosis.findings:
        if everything or not (finding.after_derail or finding.severity == "note"):
            shown.append(finding)
        elif finding.after_derail:
            after += 1
        else:
            notes += 1
    marks: dict[str, Mark] = {"fault": "bad", "oddity": "doubt", "note": "quiet"}
    for finding in shown:
        cells = [Cell(finding.severity, 8, marks[finding.severity])]
        text = finding.text
        if finding.after_derail:
            text += " After the derail: likely a consequence."
        paper.say(text, cells=cells)
        if everything:
            _details(paper, finding)
    folded = []
    if after:
        folded.append(count_words(after, "consequence") + " after the derail")
    if notes:
        folded.append(count_words(notes, "note"))
    if folded:
        lead = "" if shown else "No fault and no oddity. "
        paper.say(f"{lead}Folded: {', '.join(folded)} (--all shows them).", mark="quiet")


def _details(paper: Paper, finding: Finding) -> None:
    count = f"{finding.count:,} of {finding.opportunities:,}" if finding.opportunities else ""
    concerned = line_words(n for n in finding.lines if not n.startswith("select:"))
    selects = [n.removeprefix("select:") for n in finding.lines if n.startswith("select:")]
    at = ", ".join(f"{cycle:,}" for cycle in finding.cycles[:8])
    for label, text in (
        ("rule", finding.rule + (f", shown {count}" if count else "")),
        ("lines", "; ".join(filter(None, [concerned, *(f"select of {ref}" for ref in selects)]))),
        ("chips", ", ".join(finding.chips)),
        ("measured", finding.measured),
        ("expected", finding.expected),
        ("cycles", at + (", ..." if len(finding.cycles) > 8 else "")),
    ):
        if text:
            paper.say(text, indent=10, cells=[Cell(label, _LABEL, "quiet")], mark="quiet")


def _not_exercised(paper: Paper, diagnosis: Diagnosis) -> None:
    paper.heading("Not exercised, so neither good nor bad")
    if not diagnosis.not_exercised:
        paper.say("Nothing that these clips could have shown.")
    for text in diagnosis.not_exercised:
        paper.say(sentence(text), lead="- ")
