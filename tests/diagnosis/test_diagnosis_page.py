"""The page on diagnosis says what the code does."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from bustrace.board.schema import MAX_FACTOR, MIN_FACTOR
from bustrace.diagnosis import (
    Diagnosis,
    among_suspects,
    gains,
    grouping,
    seen_directly,
    several,
    unheard_chips,
    weighing,
    without_board,
)
from bustrace.diagnosis.model import Verdict
from bustrace.findings import _kernels, answers, poll_rules
from bustrace.report.text import headline

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEXT = (DOCS / "diagnosis.md").read_text(encoding="utf-8")
ROOMS = {
    "gains": gains, "grouping": grouping, "several": several, "weighing": weighing,
    "without_board": without_board, "answers": answers, "kernels": _kernels,
    "among_suspects": among_suspects, "unheard_chips": unheard_chips, "poll_rules": poll_rules,
    "seen_directly": seen_directly,
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
    assert f"{gains.ONSET_PRICE:g} bits" in TEXT
    assert f"<= {grouping.ALIKE:g} bit" in TEXT
    assert f"gains differ by {grouping.ALIKE:g} bit" in TEXT
    assert f"gains more\nthan {several.SECOND_FAULT_GAIN:g} bits" in TEXT
    assert f"= {answers.PRICES[0]:g} bits * k" in TEXT
    assert f"{grouping.UNNAMED_SHARE:g} * bits" in TEXT
    assert f"Suspects need {gains.MIN_GAIN:g} bits" in TEXT
    assert f"from {MIN_FACTOR:g} to {MAX_FACTOR:g}" in TEXT


@pytest.mark.parametrize("verdict", get_args(Verdict))
def test_the_page_has_every_verdict_with_its_exit_code(verdict):
    """As the first line of a diagnosis has it."""
    diagnosis = Diagnosis(verdict, "", (), (), None, (), (), (), (), ())
    assert f"| {diagnosis.exit_code} | `{headline(diagnosis)}` |" in TEXT


def test_the_page_is_found_from_the_readme_and_its_links_lead_somewhere():
    assert "(diagnosis.md" in (DOCS / "commands.md").read_text(encoding="utf-8")
    readme = (DOCS.parent / "README.md").read_text(encoding="utf-8")
    assert "(docs/diagnosis.md)" in readme
    links = re.findall(r"\]\(([\w-]+\.md)(?:#[\w-]+)?\)", TEXT)
    assert links
    assert all((DOCS / link).is_file() for link in links)
