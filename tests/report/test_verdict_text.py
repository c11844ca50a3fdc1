"""The verdict as text: its order, its width, what it folds."""

import re
from dataclasses import replace

import pytest

from bustrace.diagnosis import Suspect
from bustrace.faults import Fault
from bustrace.findings import Derail, Finding
from bustrace.report import diagnosis_text

PARTS = [
    "Can I trust this capture?",
    "How far it came",
    "Where it leaves the path",
    "Suspects so far",
    "Do this now",
    "Findings",
    "Not exercised, so neither good nor bad",
]
SMALL = "tide_gauge_clock_stops"


@pytest.mark.slow
@pytest.mark.parametrize("everything", [False, True], ids=["folded", "all"])
def test_verdict_keeps_to_its_order_and_to_80_columns(verdict_on, fixture_name, everything):
    """Every part is there, in order; no line is over 80 columns, none ends in blanks."""
    diagnosis, reading = verdict_on(fixture_name)
    text = diagnosis_text(diagnosis, reading, everything=everything).plain()
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if line != line.rstrip()]
    heads = [line for line in lines if line in PARTS]
    assert heads == PARTS
    assert "\x1b" not in text
    assert lines[0].isupper() or lines[0].startswith("FAULT, ")
    for rung in diagnosis.ladder:
        status = "BAD" if rung.status == "bad" else rung.status
        assert re.search(rf"^  {re.escape(rung.name)} +{status} ", text, re.MULTILINE)
    for suspect in diagnosis.suspects[:1]:
        assert str(suspect.fault) in text
    for step in diagnosis.next_steps[:1]:
        assert step.split()[0] in text


@pytest.mark.slow
def test_names_in_a_question_show_as_typed(verdict_on):
    """Clips without names: the question comes first and is the one thing to do."""
    diagnosis, reading = verdict_on("tide_gauge_healthy_channels", hooked=False)
    text = diagnosis_text(diagnosis, reading).plain()
    assert text.startswith("CANNOT CONCLUDE\nWhat are CH0 to CH28 clipped to?")
    assert text.count("--line CH0=PHI2") == 2
    assert "Not yet: the file does not tell what its lines are clipped to." in text


def _text(verdict_on, everything=False, **changes):
    diagnosis, reading = verdict_on(SMALL)
    return diagnosis_text(replace(diagnosis, **changes), reading, everything=everything).plain()


def _flat(text):
    return " ".join(text.split())


def test_the_headline_names_the_likeliest_fault_in_words(verdict_on):
    """The verdict's first line needs no ids."""
    assert _text(verdict_on).startswith("FAULT, very likely: the clock stops\n")


def test_derail_shows_cycle_time_seen_expected_and_folds_the_rest(verdict_on):
    """What follows the derail is one number, with its thousands marked."""
    derail = Derail(24, 24_687_500, "$A0", "$A2", "At cycle 24 ...", 1204)
    text = _text(verdict_on, derail=derail)
    part = text[text.index("Where it leaves the path") : text.index("Suspects so far")]
    assert "Cycle 24, 24.69 us into the capture, address $E002." in part
    assert re.search(r"seen +\$A0\n +expected +\$A2\n", part)
    assert "1,204 consequences folded" in part


def test_consequences_and_notes_are_counted_until_all_is_asked_for(verdict_on):
    """`--all` shows every finding with its counts; otherwise faults and oddities before the
    derail."""
    findings = (
        Finding("rom-content", "fault", "U5 is wrong.", chips=("U5",), cycles=(3, 4),
                opportunities=5259, count=938, measured="938", expected="0"),
        Finding("ram-content", "fault", "U4 is wrong.", after_derail=True),
        Finding("line-still", "note", "Never moved: RDY.", lines=("RDY", "select:U6")),
    )  # fmt: skip
    text = _text(verdict_on, findings=findings)
    assert "U5 is wrong." in text
    assert "U4 is wrong." not in text
    assert "Folded: 1 consequence after the derail, 1 note (--all shows them)." in text
    whole = _text(verdict_on, True, findings=findings)
    assert "U4 is wrong. After the derail: likely a consequence." in whole
    assert "938 of 5,259" in whole
    assert "RDY; select of U6" in whole
    assert "(--all shows them)" not in whole[whole.index("Findings") :]


def test_no_finding_says_none(verdict_on):
    """Empty parts say so."""
    text = _text(verdict_on, findings=(), suspects=(), next_steps=(), not_exercised=())
    part = text[text.index("Suspects so far") :]
    assert part.count("None.") == 2
    assert "Nothing: no step would tell more." in part
    assert "Nothing that these clips could have shown." in part
    assert "Take care" not in part


def _suspect(probability, *texts, **more):
    first, *alike = [Fault.parse(text) for text in texts]
    given = {"explains": ("rom-content",), "against": (), "check": "Look."} | more
    return Suspect(first, probability, alike=tuple(alike), **given)


def test_suspects_carry_their_evidence_and_place(verdict_on):
    """For and against in words, the class condensed, chip and socket from the board file."""
    findings = (Finding("rom-content", "fault", "x", opportunities=5259, count=938),)
    suspects = (
        _suspect(0.95, "plane:U5.1", "stuck:D1=0@U5", against=("it comes late",)),
        _suspect(0.01, "silent:U4"),
    )
    text = _text(verdict_on, findings=findings, suspects=suspects)
    part = text[text.index("Suspects so far") : text.index("Do this now")]
    assert "1. Bit 1 is bad in every byte of U5" in part
    assert re.search(r"very likely, 95 % +plane:U5\.1 and 1 other\n", part)
    assert "or else   D1 stuck low at U5's own pin: this capture cannot tell." in part
    assert "for       ROM reads differ from the image (938 of 5,259)" in part
    assert "against   it comes late" in part
    assert "where     U5 (2764, socketed)" in part
    assert "1 more suspect under 5 % (--all shows them)." in part
    whole = _text(verdict_on, True, findings=findings, suspects=suspects)
    assert "2. U4 never drives the bus" in whole


def test_many_lines_of_a_class_are_named_once(verdict_on):
    """Sixty alike faults fit in a few lines."""
    texts = [f"stuck:A{bit}=0@behind" for bit in range(2, 14)]
    text = _text(verdict_on, suspects=(_suspect(0.9, *texts),))
    assert "One of A2-A13 stuck low between the CPU's pin and the other chips" in _flat(text)
    assert re.search(r"where +A2-A13\n", text)


def test_unexplained_findings_are_not_lost(verdict_on):
    """A fault that no suspect explains stands beside the suspects."""
    text = _text(verdict_on, unexplained=("RAM answers twice.",))
    assert "No suspect explains this: RAM answers twice." in _flat(text)


def test_the_first_finding_is_not_told_again_where_no_suspect_explains_it(verdict_on):
    """Twice is enough: at the top and among the findings."""
    finding = Finding("cpu-jam", "fault", "The CPU jams.")
    given = {"findings": (finding,), "suspects": (), "unexplained": ("The CPU jams.", "RAM too.")}
    text = _text(verdict_on, verdict="fault", **given)
    assert text.count("The CPU jams.") == 2
    assert "None: what stands at the top has several causes." in text
    assert "No suspect explains this: RAM too." in _flat(text)


def test_one_thing_to_do_now_comes_first_and_ids_become_words(verdict_on):
    """The first step alone, then the rest with numbers."""
    text = _text(verdict_on, next_steps=("Probe for clock:stops.", "Then this.", "Then that."))
    part = text[text.index("Do this now") : text.index("Take care")]
    assert "Do this now\n  Probe for the clock stops.\n" in part
    assert "2. Then this.\n  3. Then that." in part


@pytest.mark.parametrize(
    ("step", "cautions"),
    [
        ("What are CH0 to CH7 clipped to?", 1),
        ("Probe A9 at U4.", 1),
        ("Measure the supply at U4.", 2),
        ("Power off, pull U4 and refit it.", 2),
        ("Power off, pull U4, and measure its rails.", 3),
        ("Send the file.", 0),
    ],
)
def test_cautions_stand_where_the_board_is_touched(verdict_on, step, cautions):
    """Nothing to touch: no caution. Chips to pull: power off first. Near a supply: who may."""
    text = _flat(_text(verdict_on, next_steps=(step,)))
    said = [
        "Power off, and let the rails fall" in text,
        "Probes off mains, the CRT" in text,
        "local rules come first" in text,
    ]
    assert sum(said) == cautions


def test_a_hostile_name_cannot_steer_the_terminal(verdict_on):
    """Escape codes in names are shown, not sent."""
    text = _text(verdict_on, unexplained=("\x1b]0;owned\x07 \u202eevil",))
    assert "\x1b" not in text
    assert "\\x1b]0;owned\\x07" in text
    assert "\u202e" not in text
