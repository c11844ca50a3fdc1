"""What was observed: findings, rungs of the ladder, the derail."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["fault", "oddity", "note"]
RungStatus = Literal["ok", "bad", "not seen", "not captured"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something observed in the capture, with its evidence. Never an inference.

    Attributes
    ----------
    rule : str
        Stable id of the rule, for instance ``rom-content``.
    severity : {"fault", "oddity", "note"}
        Only ``fault`` changes the verdict.
    lines, chips : tuple of str
        Pin names and chip references concerned.
    cycles : tuple of int
        Cycles that show it, the first 32.
    opportunities : int
        How many CPU-owned sampled cycles could have shown it.
    count : int
        How many did.
    measured, expected : str
        What was seen and what should have been, in words and numbers.
    after_derail : bool
        The first cycle that shows it lies after the derail: likely a consequence.
    text : str
        One sentence for the person at the bench.
    """

    rule: str
    severity: Severity
    text: str
    lines: tuple[str, ...] = ()
    chips: tuple[str, ...] = ()
    cycles: tuple[int, ...] = ()
    opportunities: int = 0
    count: int = 0
    measured: str = ""
    expected: str = ""
    after_derail: bool = False


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the ladder from power to main loop."""

    name: str
    status: RungStatus
    text: str


@dataclass(frozen=True, slots=True)
class Derail:
    """The first cycle that what came before does not explain.

    Attributes
    ----------
    cycle : int
    time_ps : int
    seen, expected : str
    text : str
    consequences : int
        Disagreements after it, folded.
    """

    cycle: int
    time_ps: int
    seen: str
    expected: str
    text: str
    consequences: int
