"""Faults, classes of faults and probabilities in plain words."""

import re
from pathlib import Path

import pytest

import bustrace
from bustrace.diagnosis.naming import line_words
from bustrace.faults import FAMILIES, PLACES, Fault
from bustrace.report import class_words, fault_words, probability_words
from bustrace.report.words import RULE_WORDS, named_in_words

WORDS = {
    "stuck:A9=1@bus": "A9 stuck high on the bus",
    "stuck:A9=0@clip": "A9 stuck low as the clip sees it",
    "stuck:A9=0@cpu": "A9 stuck low at the CPU's pin",
    "stuck:D3=0@read": "D3 stuck low in reads",
    "stuck:D3=0@write": "D3 stuck low in writes",
    "stuck:A6=0@behind": "A6 stuck low between the CPU's pin and the other chips",
    "stuck:A13=1@decoder": "A13 stuck high at the address decoder's input",
    "stuck:D1=0@U5": "D1 stuck low at U5's own pin",
    "stuck:CS_U5=1@decoder": "the chip select of U5 stuck high at the decoder's output",
    "stuck:CS_U5=1@U5": "the chip select of U5 stuck high at U5's own pin",
    "short:D1+D4@bus": "D1 and D4 shorted together on the bus",
    "open:A7@U4": "A7 not connected to U4",
    "open:D3@read": "D3 not connected in reads",
    "open:D3@behind": "D3 not connected past the CPU's pin",
    "clip:A3": "the clip on A3 is off",
    "silent:ROM": "ROM never drives the bus",
    "doubled:U4+U6": "U6 drives the bus too where U4 answers",
    "swapped:U4+U6": "U4 and U6 sit in each other's sockets",
    "always:U6": "U6 drives the bus without being selected",
    "content:U4": "the bytes in U4 are not those of its image",
    "cell:U6.0012.3=1": "bit 3 of one byte in U6 (offset $0012) stuck high",
    "plane:U6.3": "bit 3 is bad in every byte of U6",
    "retention:U6": "U6 does not keep what is written to it",
    "register:U9": "a register of U9 does not hold what it should",
    "clock:stops": "the clock stops",
    "clock:absent": "there is no clock",
    "reset:held": "reset is held low",
    "reset:repeats": "reset comes again and again",
    "held:IRQ=0": "IRQ held low",
    "cpu:U1": "the CPU (U1) does not do what its inputs say",
    "shared:ram-bank": "one cause behind the whole RAM bank",
    "shared:U2": "one cause behind all chips that U2 serves",
}


@pytest.mark.parametrize(("text", "words"), WORDS.items())
def test_fault_in_plain_words(text, words):
    """Every family and place has words of its own."""
    assert fault_words(Fault.parse(text)) == words


def test_every_family_and_place_is_covered():
    """The table above leaves none of the vocabulary out."""
    faults = [Fault.parse(text) for text in WORDS]
    assert {fault.family for fault in faults} == set(FAMILIES)
    assert set(PLACES) <= {fault.place for fault in faults}


def test_lines_that_look_alike_become_one_phrase():
    """Sixty faults of few kinds take a line or two, and the first phrase holds the first fault."""
    faults = [Fault.parse(f"stuck:A{bit}=0@behind") for bit in range(2, 14)]
    faults += [Fault.parse(f"stuck:A{bit}=0@{ref}") for ref in ("U5", "U4") for bit in range(3, 8)]
    assert class_words(faults) == [
        "one of A2-A13 stuck low between the CPU's pin and the other chips",
        "one of A3-A7 stuck low at U4 or U5's own pin",
    ]


def test_a_class_of_one_kind_each_is_told_one_by_one():
    """Different kinds stay apart; one line at one place is told once, whatever its level."""
    texts = ["open:A1@U4", "stuck:A1=0@U4", "stuck:A1=1@U4", "stuck:CS_U5=1@decoder"]
    assert class_words([Fault.parse(text) for text in texts]) == [
        "A1 not connected to U4",
        "A1 stuck low or high at U4's own pin",
        "the chip select of U5 stuck high at the decoder's output",
    ]


def test_chips_with_different_lines_stay_apart():
    """Each chip is told with its own lines only."""
    texts = ["stuck:A1=0@U4", "stuck:A2=0@U5", "stuck:A3=0@U5"]
    assert class_words([Fault.parse(text) for text in texts]) == [
        "A1 stuck low at U4's own pin",
        "one of A2 and A3 stuck low at U5's own pin",
    ]


def test_what_is_left_of_a_long_class_is_counted():
    """No fault vanishes: phrases beyond the limit are counted, with all their members."""
    faults = [Fault.parse(f"short:A{a}+A{a + 1}@bus") for a in range(10)]
    faults += [Fault.parse(f"clip:D{bit}") for bit in range(3)]
    *shown, rest = class_words(faults, most=3)
    assert len(shown) == 2
    assert rest == "11 more faults of like effect"


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (1.0, "very likely, over 99 %"),
        (0.95, "very likely, 95 %"),
        (0.7, "likely, 70 %"),
        (0.5, "about even, 50 %"),
        (0.2, "less likely, 20 %"),
        (0.05, "unlikely, 5 %"),
        (0.0, "unlikely, under 1 %"),
    ],
)
def test_probability_in_words_and_number(probability, words):
    """Certainty is never claimed, in either direction."""
    assert probability_words(probability) == words


def test_lines_in_words():
    """Runs of a bus are joined, selects are named by their chip, nothing is said twice."""
    assert line_words(["A10", "A9", "A11", "A9"]) == "A9-A11"
    assert line_words(["D1", "D0", "RW"]) == "D0, D1 and RW"
    assert line_words(["CS_U4"]) == "the chip select of U4"


def test_ids_in_a_sentence_become_words():
    """A longer id is not taken for a shorter one that it begins with."""
    faults = [Fault.parse("content:U1"), Fault.parse("content:U12")]
    assert (
        named_in_words("see content:U12", faults)
        == "see the bytes in U12 are not those of its image"
    )


def test_every_rule_has_words():
    """Rule ids of the findings' room are all in the table, and the table holds no other."""
    rooms = (Path(bustrace.__file__).parent / room for room in ("findings", "diagnosis"))
    sources = [path for room in rooms for path in room.glob("*.py")]
    code = "".join(path.read_text(encoding="utf-8") for path in sources)
    known = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', code))
    assert set(re.findall(r'rule="([a-z-]+)"', code)) <= RULE_WORDS.keys()
    assert RULE_WORDS.keys() <= known
