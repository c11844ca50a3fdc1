"""Every fault has one name: it reads, prints back, and says what it is about."""

import dataclasses
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace import faults
from bustrace.faults import FAMILIES, PLACES, Fault, fault_ids

NAMED = (
    "stuck:A9=1@bus", "stuck:D3=0@read", "stuck:A6=0@behind", "short:D1+D4@bus", "open:A7@U4",
    "clip:A3", "silent:U4", "doubled:U4+U6", "swapped:U4+U6", "always:U6", "content:U4",
    "cell:U6.0012.3=1", "plane:U6.3", "retention:U6", "register:U9", "clock:stops",
    "clock:absent", "reset:held", "reset:repeats", "held:IRQ=0", "held:RDY=0", "cpu:U1",
    "shared:ram-bank",
)  # fmt: skip
"""The ids that the design names."""

REFS = st.from_regex(r"(?:U|IC|Z)[1-9][0-9]?", fullmatch=True)
LINES = st.sampled_from(
    [*(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)), "RW", "CS_U4"]
)
LEVELS = st.integers(0, 1)
ALL_PLACES = st.sampled_from(PLACES) | REFS


@st.composite
def any_fault(draw: st.DrawFn) -> Fault:
    family = draw(st.sampled_from(FAMILIES))
    one, two = draw(st.lists(REFS, min_size=2, max_size=2, unique=True))
    made = {
        "stuck": lambda: Fault(family, (draw(LINES),), level=draw(LEVELS), place=draw(ALL_PLACES)),
        "open": lambda: Fault(family, (draw(LINES),), place=draw(ALL_PLACES)),
        "clip": lambda: Fault(family, (draw(LINES),)),
        "held": lambda: Fault(family, (draw(LINES),), level=draw(LEVELS)),
        "short": lambda: Fault(
            family,
            tuple(draw(st.lists(LINES, min_size=2, max_size=4, unique=True))),
            place=draw(ALL_PLACES),
        ),
        "doubled": lambda: Fault(family, chip=f"{one}+{two}"),
        "swapped": lambda: Fault(family, chip=f"{one}+{two}"),
        "cell": lambda: Fault(
            family,
            chip=f"{one}.{draw(st.integers(0, 0xFFFF)):04X}.{draw(st.integers(0, 7))}",
            level=draw(LEVELS),
        ),
        "plane": lambda: Fault(family, chip=f"{one}.{draw(st.integers(0, 7))}"),
        "clock": lambda: Fault(family, chip=draw(st.sampled_from(["absent", "stops"]))),
        "reset": lambda: Fault(family, chip=draw(st.sampled_from(["held", "repeats"]))),
        "shared": lambda: Fault(family, chip=draw(st.sampled_from(["ram-bank", "rail-12"]))),
    }
    return made.get(family, lambda: Fault(family, chip=one))()


@pytest.mark.parametrize("text", NAMED)
def test_every_named_id_reads_and_prints_back(text):
    assert str(Fault.parse(text)) == text


@given(any_fault())
def test_parse_undoes_str(fault):
    """An id says all there is: nothing is lost on the way through text."""
    again = Fault.parse(str(fault))
    assert again == fault
    assert hash(again) == hash(fault)


@pytest.mark.parametrize("text", ["short:D4+D1@bus", "short:D1+D4@bus"])
def test_the_lines_of_a_short_have_one_order(text):
    assert str(Fault.parse(text)) == "short:D1+D4@bus"


def test_lines_are_ordered_as_people_count():
    assert Fault.parse("short:A10+A9@bus").lines == ("A9", "A10")
    assert str(Fault.parse("swapped:U10+U9")) == "swapped:U9+U10"


def test_doubled_keeps_its_order():
    """Who should answer comes first; the other order is another fault."""
    assert Fault.parse("doubled:U6+U4") != Fault.parse("doubled:U4+U6")


@pytest.mark.parametrize(
    ("text", "chips"),
    [
        ("open:A7@U4", ("U4",)),
        ("stuck:A7=1@bus", ()),
        ("stuck:A7=1@U4", ("U4",)),
        ("doubled:U4+U6", ("U4", "U6")),
        ("cell:U6.0012.3=1", ("U6",)),
        ("plane:U6.3", ("U6",)),
        ("clock:stops", ()),
        ("shared:ram-bank", ()),
        ("held:IRQ=0", ()),
    ],
)
def test_chips_are_bare_references(text, chips):
    """Cell and bit are left out, words are no chips, a place that is a chip is one."""
    assert Fault.parse(text).chips == chips


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "not a fault id"),
        ("stuck", "not a fault id"),
        ("STUCK:A9=1@bus", "not a fault id"),
        ("stuck:A 9=1@bus", "not a fault id"),
        ("stuck:A9=1@", "not a fault id"),
        ("stuck:A9=1@bus\n", "not a fault id"),
        ("melted:U4", "unknown fault family"),
        ("stuck:A9@bus", "level"),
        ("stuck:A9=2@bus", "level must be 0 or 1"),
        ("stuck:A9=1", "needs a place"),
        ("stuck:A9+A8=1@bus", "takes 1 line"),
        ("held:IRQ", "level"),
        ("held:IRQ=0@bus", "takes no place"),
        ("clip:A3@bus", "takes no place"),
        ("clip:A3=0", "no level"),
        ("silent:U4=1", "no level"),
        ("short:D1@bus", "takes 2 line"),
        ("short:D1+D1@bus", "twice"),
        ("open:A7", "needs a place"),
        ("doubled:U4", "two chips"),
        ("swapped:U4+U5+U6", "two chips"),
        ("cell:U6.0012.8=1", "CHIP.ADDRESS.BIT"),
        ("cell:U6.12.3=1", "CHIP.ADDRESS.BIT"),
        ("plane:U6", "CHIP.BIT"),
        ("plane:U6.8", "CHIP.BIT"),
        ("clock:slow", "one of absent, stops"),
        ("reset:late", "one of held, repeats"),
    ],
)
def test_what_is_no_fault_is_refused_with_its_reason(text, reason):
    with pytest.raises(ValueError, match=re.escape(reason)):
        Fault.parse(text)


def test_parts_that_do_not_belong_together_are_refused():
    with pytest.raises(ValueError, match="needs a chip"):
        Fault("silent")
    with pytest.raises(ValueError, match="takes no chip"):
        Fault("clip", ("A3",), chip="U4")


def test_every_family_is_told_of_above_the_module():
    """The text above the module shows each family once at least, in the order of `FAMILIES`."""
    shown = re.findall(r"(?:^|\s)([a-z]+):[A-Za-z]", faults.__doc__ or "")
    assert set(shown) == set(FAMILIES)


def test_every_example_above_the_module_reads():
    examples = re.findall(r"(?m)^    (\S+:\S+)", faults.__doc__ or "")
    assert len(examples) >= len(FAMILIES) - 1
    for text in examples:
        assert str(Fault.parse(text)) == text


def test_a_fault_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Fault.parse("silent:U4").chip = "U5"  # type: ignore[misc]


def test_ids_are_sorted():
    assert fault_ids([Fault.parse("silent:U4"), Fault.parse("clip:A3")]) == ["clip:A3", "silent:U4"]


@pytest.mark.parametrize(
    "text",
    ["silent:+", "silent:U4+U5", "doubled:U4+", "doubled:U4+U4", "swapped:U4+U4", "silent:\x1b",
     "short:D1++D2@bus", "stuck:A9=1@@x"],
)  # fmt: skip
def test_what_is_no_name_is_refused(text):
    with pytest.raises(ValueError, match=r"name|chip|id"):
        Fault.parse(text)
