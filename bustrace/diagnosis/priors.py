"""How likely each fault is before the capture is looked at: `priors.toml`, read once.

The prior of a fault is ``share / n * f``: the share of its family, parted equally among the ``n``
members that the board can have, times the factors ``f`` of the board file. All faults of a board
are then scaled so that with "none of these" they sum to 1. Shares are common practice or judgement;
the file says which.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from math import isclose, prod
from types import MappingProxyType

from bustrace.board import Board
from bustrace.diagnosis.naming import decoders_of
from bustrace.faults import Fault

NONE = "none"
"""The share of a fault that no family describes."""


def by_board(fault: Fault, board: Board) -> float:
    """The board file's own factor of a fault: its family's times that of each chip it suspects."""
    told = board.priors
    if not told:
        return 1.0
    named = (fault.family, *suspected(fault, board))
    return prod(told.get(name, 1.0) for name in named)


def suspected(fault: Fault, board: Board) -> tuple[str, ...]:
    """Chips that are at fault, or a contact of which is, if the fault is there."""
    if fault.family == "shared":
        return (str(fault.chip),)
    if fault.family == "doubled":
        return fault.chips[-1:]  # the one that drives where it should not
    if fault.place == "cpu":
        return (board.cpu.ref,)
    if fault.place == "decoder":
        return decoders_of(board, fault.lines[0])
    return fault.chips


@cache
def priors() -> Mapping[str, float]:
    """Share of each family in the package's own file; they sum to 1 with "none"."""
    text = files("bustrace.diagnosis").joinpath("priors.toml").read_text(encoding="utf-8")
    return parse_priors(text)


def parse_priors(text: str) -> Mapping[str, float]:
    """Read and check a file of priors.

    Raises
    ------
    ValueError
        Shares do not sum to 1, one is not above 0, a source is missing, or a name stands twice.
    """
    shares: dict[str, float] = {}
    for entry in tomllib.loads(text)["family"]:
        name, share = entry["name"], entry["share"]
        if name in shares:
            raise ValueError(f"the family {name} stands twice")
        if not str(entry.get("source", "")).startswith(("common practice: ", "judgement: ")):
            raise ValueError(f"{name} has no source")
        if isinstance(share, bool) or not isinstance(share, int | float) or not 0 < share < 1:
            raise ValueError(f"the share of {name} is {share!r}, not a number from 0 to 1")
        shares[name] = float(share)
    if NONE not in shares or not isclose(sum(shares.values()), 1.0, abs_tol=1e-9):
        raise ValueError(f"shares with {NONE!r} sum to {sum(shares.values()):.4f}, not to 1")
    return MappingProxyType(shares)
