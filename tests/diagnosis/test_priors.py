"""How likely faults are before the capture is looked at."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.resources import files
from math import isclose

import pytest
from drill_readings import FIXTURES, boot, tide_gauge

from bustrace.board import Board, load_board
from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.diagnosis.priors import (
    NONE,
    by_board,
    decoders_of,
    parse_priors,
    priors,
    suspected,
)
from bustrace.faults import WEIGHED, Fault
from bustrace.findings import Evidence, gather

TEXT = files("bustrace.diagnosis").joinpath("priors.toml").read_text(encoding="utf-8")


def fault(text: str) -> Fault:
    return Fault.parse(text)


@cache
def evidence() -> Evidence:
    return gather(boot("cell:U4.0000.0=1", cycles=600))


def hypotheses(board: Board) -> list[Hypothesis]:
    """Those of one boot, with its board described otherwise."""
    told = evidence()
    return enumerate_hypotheses(replace(told, reading=replace(told.reading, board=board)))


def share(found: list[Hypothesis], *wanted: str) -> float:
    return sum(2**h.prior_bits for h in found if str(h.fault) in wanted)


@pytest.mark.parametrize(
    ("was", "is_now", "said"),
    [
        ("share = 0.11", "share = 0.12", "not to 1"),
        ("share = 0.11", "share = -0.11", "silent"),
        ("share = 0.11", "share = true", "silent"),
        ('name = "none"', 'name = "nobody"', "none"),
        ('name = "shared"', 'name = "clip"', "twice"),
        ('source = "common practice: single bits of a RAM"', "", "cell has no source"),
        ('source = "common practice: single bits of a RAM"', 'source = "x"', "cell has no source"),
    ],
)
def test_a_file_that_cannot_be_right_is_refused(was, is_now, said):
    assert was in TEXT
    with pytest.raises(ValueError, match=said):
        parse_priors(TEXT.replace(was, is_now, 1))


@pytest.mark.slow
def test_the_priors_of_a_board_sum_to_one_with_none_of_these():
    """Whatever is on the board, and whatever its file says."""
    board = tide_gauge()
    for told in ({}, {"clip": 10.0, "U5": 0.1}):
        total = share(
            found := hypotheses(replace(board, priors=told)), *(str(h.fault) for h in found)
        )
        assert isclose(total + priors()[NONE], 1.0)


@pytest.mark.slow
def test_the_faults_of_a_family_part_its_share():
    """Without factors of the board file, as the file of priors says."""
    shares = priors()
    found = hypotheses(tide_gauge())
    clips = [h for h in found if h.fault.family == "clip"]
    silents = [h for h in found if h.family == "silent"]
    for mine in (clips, silents):
        assert len({h.prior_bits for h in mine}) == 1
    ratio = 2 ** (clips[0].prior_bits - silents[0].prior_bits)
    assert ratio == pytest.approx(shares["clip"] / len(clips) / (shares["silent"] / len(silents)))


@pytest.mark.slow
def test_every_family_that_a_board_file_may_weigh_has_hypotheses_and_no_other():
    """Banks, a buffer, a bad cell and a byte that changed together have them all."""
    banked = load_board(FIXTURES / "departure_board" / "board.toml")
    found = {h.fault.family for h in hypotheses(tide_gauge())}
    found |= {h.fault.family for h in enumerate_hypotheses(gather(boot(board=banked, cycles=400)))}
    forgot = boot("retention:U4", cycles=5000, seed=3)
    found |= {h.fault.family for h in enumerate_hypotheses(gather(forgot))}
    assert found == set(WEIGHED)


@pytest.mark.slow
def test_a_board_files_factor_raises_what_it_names_and_that_alone():
    """Odds between a raised fault and another change by the factor; those of others stay."""
    board = tide_gauge()
    plain, leaning = hypotheses(board), hypotheses(replace(board, priors={"U4": 4.0, "short": 0.5}))

    def odds(found: list[Hypothesis], one: str, other: str) -> float:
        return share(found, one) / share(found, other)

    for one, other, factor in (
        ("silent:U4", "silent:U5", 4.0),
        ("open:A1@U4", "open:A1@U5", 4.0),
        ("doubled:U5+U4", "doubled:U4+U5", 4.0),
        ("cell:U4.0000.0=1", "silent:U5", 4.0),
        ("short:A1+A2@bus", "silent:U5", 0.5),
        ("short:A1+A2@U4", "silent:U5", 2.0),
        ("clip:A3", "silent:U5", 1.0),
    ):
        assert odds(leaning, one, other) == pytest.approx(factor * odds(plain, one, other))


def test_a_fault_suspects_the_chips_that_would_be_at_fault():
    """The one that drives along, the CPU, the decoder that makes the select or sees the line."""
    board = tide_gauge()
    for text, refs in (
        ("doubled:U4+U6", ("U6",)), ("stuck:A9=1@cpu", ("U1",)), ("open:A14@decoder", ("U2",)),
        ("stuck:CS_U5=1@decoder", ("U2",)), ("stuck:A3=1@decoder", ()), ("shared:U2", ("U2",)),
        ("cell:U4.0012.3=1", ("U4",)), ("stuck:A9=1@bus", ()), ("open:A1@U4", ("U4",)),
    ):  # fmt: skip
        assert suspected(fault(text), board) == refs, text
    banked = load_board(FIXTURES / "departure_board" / "board.toml")
    assert decoders_of(banked, "CS_U5") == ("U4",)
    assert decoders_of(banked, "RW") == ("U4",)
    assert by_board(fault("stuck:RW=1@decoder"), replace(banked, priors={"U4": 3.0})) == 3.0
