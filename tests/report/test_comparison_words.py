"""A comparison as text and as JSON."""

import copy
import json

import jsonschema
import pytest
from drill_readings import boot

from bustrace.compare import compare, compare_rom
from bustrace.report import compare_json, compare_schema, compare_text

VALIDATOR = jsonschema.Draft202012Validator(compare_schema())
BAD = ("plane:U5.1", "stuck:A9=1@bus", "held:IRQ=0", "clock:stops", "reset:held", "clock:absent",
       "stuck:CS_U4=1@decoder", "clip:A3", "reset:repeats")  # fmt: skip


@pytest.fixture(scope="module")
def good():
    return boot(seed=5, cycles=2500)


def test_the_schema_fits_its_own_metaschema():
    """JSON Schema 2020-12, as the document itself says."""
    jsonschema.Draft202012Validator.check_schema(compare_schema())


@pytest.mark.slow
@pytest.mark.parametrize("fault", BAD)
def test_every_comparison_fits_the_schema_and_eighty_columns(fault, good):
    bad = boot(fault, seed=6, cycles=3000)
    for found in (compare(good, bad), compare_rom(bad), compare(good, good)):
        document = json.loads(compare_json(found))
        assert [error.message for error in VALIDATOR.iter_errors(document)] == []
        assert document["exit_code"] == found.exit_code
        assert (document["good"] is None) == (found.good is None)
        for everything in (False, True):
            lines = compare_text(found, everything=everything).plain().splitlines()
            assert all(len(line) <= 80 for line in lines)
            assert lines[0].startswith(found.verdict.upper())


def test_the_schema_refuses_what_is_not_in_it(good):
    """One key more, one less, another type: each is an error."""
    document = json.loads(compare_json(compare(good, boot("plane:U5.1", seed=9))))
    more, less, other = (copy.deepcopy(document) for _ in range(3))
    more["first"]["guess"] = 1
    del less["first"]["blame"]
    other["first"]["cycle"] = "12"
    for wrong in (more, less, other):
        assert list(VALIDATOR.iter_errors(wrong))


def test_the_text_says_where_who_and_what_to_do(good):
    found = compare(good, boot("plane:U5.1", seed=9))
    text = compare_text(found).plain()
    words = " ".join(text.split())
    assert f"DIVERGENCE in cycle {found.first.cycle:,}: U5 D1" in words
    assert f"expected {found.first.expected}" in words
    assert "the chip that answered, or the path" in words
    assert "power off" in words
    assert text.count("=>") == 2  # the line, and the legend


def test_no_divergence_does_not_say_healthy(good):
    """What was not exercised is not judged."""
    text = compare_text(compare(good, boot(seed=7, cycles=2500))).plain()
    assert text.startswith("NO DIVERGENCE\n")
    assert "not exercised is not judged" in " ".join(text.split()).replace("was not", "not")
    assert "healthy" not in text.lower()
