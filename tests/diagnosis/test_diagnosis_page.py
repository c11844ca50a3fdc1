"""The page on diagnosis says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from bustrace.diagnosis import weighing, without_board
from bustrace.diagnosis.priors import priors
from bustrace.findings import _kernels, answers

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEXT = (DOCS / "diagnosis.md").read_text(encoding="utf-8")
ROOMS = {
    "weighing": weighing, "without_board": without_board, "answers": answers, "kernels": _kernels,
}  # fmt: skip
NUMBERS = re.findall(r"^\| `(\w+)` \| ([\d., ]+) \| (\w+) \|$", TEXT, re.MULTILINE)


def test_the_table_has_the_numbers_that_decide():
    assert {name for name, _, _ in NUMBERS} >= {"MIN_GAIN", "UNNAMED_SHARE", "ALIKE", "PRICES"}


@pytest.mark.parametrize(("name", "value", "room"), NUMBERS)
def test_every_number_of_the_page_is_the_codes(name, value, room):
    told = [float(number) for number in value.split(",")]
    assert np.array_equal(np.atleast_1d(getattr(ROOMS[room], name)), told)


def test_the_words_about_prices_and_factors_are_those_of_the_code():
    """Said in the text beside the formulas, from the same numbers."""
    assert f"{answers.MAX_CYCLES:,} cycles count" in re.sub(r"\s+", " ", TEXT)
    assert f"{weighing.ONSET_PRICE:g} bits" in TEXT
    assert f"differ by {weighing.ALIKE:g} bit" in TEXT
    assert f"more\nthan {weighing.SECOND_FAULT_GAIN:g} bits" in TEXT
    assert f"{weighing.UNNAMED_SHARE:g} * bits" in TEXT
    assert f"Suspects need {weighing.MIN_GAIN:g} bits" in TEXT
    known = priors()
    contacts = [f"{known.contacts[s]:g}" for s in (True, False, None)]
    assert "socketed {}, soldered {}, not told {}".format(*contacts) in TEXT
    factors = dict(known.parts)
    assert f"dynamic RAM {factors['4116|4164|4416|4464|41464']:g}" in TEXT


def test_the_page_is_found_from_the_readme_and_its_links_lead_somewhere():
    readme = (DOCS.parent / "README.md").read_text(encoding="utf-8")
    assert "(docs/diagnosis.md)" in readme
    links = re.findall(r"\]\(([\w-]+\.md)(?:#[\w-]+)?\)", TEXT)
    assert links
    assert all((DOCS / link).is_file() for link in links)
