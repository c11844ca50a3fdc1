"""What follows from the findings: suspects, the verdict, the next step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bustrace.capture.model import Note
from bustrace.faults import Fault
from bustrace.findings.model import Derail, Finding, Rung

Verdict = Literal["no fault seen", "fault", "cannot conclude", "healthy up to"]

LIKELY = 0.5
"""Probability from which on a suspect counts as likely: it is as soon there as not."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A fault inferred from findings.

    Attributes
    ----------
    fault : Fault
        The likeliest member of the class.
    alike : tuple of Fault
        Others that this capture cannot tell from it.
    tell_apart : str or None
        The measurement that would tell them apart.
    probability : float
        0 to 1, that this fault, or one of `alike`, is present. Faults of one net or chip compete
        with each other and with "none of these"; a held control line stands beside them, since
        several things are often wrong at once.
    explains : tuple of str
        Rules and observations that speak for it.
    against : tuple of str
        What speaks against it.
    check : str
        What to probe, swap or pull to prove it, with chip, pin and socket where known.
    """

    fault: Fault
    probability: float
    explains: tuple[str, ...]
    against: tuple[str, ...]
    check: str
    alike: tuple[Fault, ...] = ()
    tell_apart: str | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The verdict with its evidence.

    Attributes
    ----------
    verdict : {"no fault seen", "fault", "cannot conclude", "healthy up to"}
        ``healthy up to``: what was captured is right, but the capture ends, or the CPU waits,
        before the main loop; `summary` says up to where.
    summary : str
        One or two sentences.
    trust : tuple of Note
        Reasons to trust the capture less, and the guesses made.
    ladder : tuple of Rung
    derail : Derail or None
    findings : tuple of Finding
    suspects : tuple of Suspect
        Likeliest first.
    unexplained : tuple of str
        Findings of severity fault that no suspect explains.
    not_exercised : tuple of str
        Lines, chips and functions that the capture could not test.
    next_steps : tuple of str
        The one thing to do now first, then what comes after.
    """

    verdict: Verdict
    summary: str
    trust: tuple[Note, ...]
    ladder: tuple[Rung, ...]
    derail: Derail | None
    findings: tuple[Finding, ...]
    suspects: tuple[Suspect, ...]
    unexplained: tuple[str, ...]
    not_exercised: tuple[str, ...]
    next_steps: tuple[str, ...]

    def __repr__(self) -> str:
        suspects = ", ".join(str(suspect.fault) for suspect in self.suspects)
        return f"<Diagnosis: {self.verdict}{'; suspects ' + suspects if suspects else ''}>"

    @property
    def exit_code(self) -> int:
        """0 no fault seen, 1 fault, 3 cannot conclude; 2, unusable input, is an exception."""
        return {"no fault seen": 0, "healthy up to": 0, "fault": 1, "cannot conclude": 3}[
            self.verdict
        ]
