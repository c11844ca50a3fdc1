"""What a comparison says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.reading import Reading

Blame = Literal["answer", "select", "cpu", "line", "marginal", "clock", "reset", "unknown"]
"""Who is to blame for a divergence.

``answer``: the CPU asked the same and got another byte: the chip that answered, or the path from
it. ``select``: the address is the same and another chip is selected. ``cpu``: what the CPU read is
the same and what is on its pins is not: the CPU, its pins, its lines. ``line``: a control line that
others drive rests. ``marginal``: one line alone differs now and then, and the program does not
mind: its level is near a threshold, or its clip is bad. ``clock``, ``reset``: what makes them.
``unknown``: not to be told.
"""

Verdict = Literal["no divergence", "divergence", "cannot conclude"]


@dataclass(frozen=True, slots=True)
class Divergence:
    """Where the bad boot shows what its own past and the good boot do not allow.

    Attributes
    ----------
    kind : str
        ``read``, ``select``, ``output``, ``level``, ``clock``, ``reset`` or ``program``.
    blame : Blame
    cycle, time_ps : int
        In the bad boot. A clock that stops diverges in the cycle after its last.
    good_cycle, good_time_ps : int or None
        What stands beside it in the good boot, where anything does.
    address : int or None
    pc : int or None
        Of the instruction.
    instruction : str
        ``LDA $1234,X``, or what the cycle is part of in words.
    lines, chips : tuple of str
        Lines that differ; chips that should have answered, or whose select is wrong.
    expected, seen : str
    text : str
        One sentence.
    """

    kind: Literal["read", "select", "output", "level", "clock", "reset", "program"]
    blame: Blame
    cycle: int
    time_ps: int
    good_cycle: int | None
    good_time_ps: int | None
    address: int | None
    pc: int | None
    instruction: str
    lines: tuple[str, ...]
    chips: tuple[str, ...]
    expected: str
    seen: str
    text: str


@dataclass(frozen=True, slots=True)
class LineDifference:
    """A line that moves in one boot and rests in the other, from the path's start on.

    Attributes
    ----------
    line : str
        Pin name, or ``CS_`` and a chip's reference.
    rests_in : {"good", "bad"}
    level : int
        Level it rests at; of a select, 1 is selected.
    """

    line: str
    rests_in: Literal["good", "bad"]
    level: int


@dataclass(frozen=True, slots=True)
class ChipTraffic:
    """What one chip of the board did in both boots.

    Attributes
    ----------
    chip, role : str
    good_reads, bad_reads, good_writes, bad_writes : int
        Cycles the CPU meant for it.
    compared, wrong : int
        Reads of the bad boot that could be judged, and those that gave another byte.
    wrong_lines : tuple of str
        Data lines that were wrong.
    """

    chip: str
    role: str
    good_reads: int
    bad_reads: int
    good_writes: int
    bad_writes: int
    compared: int
    wrong: int
    wrong_lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RegisterTraffic:
    """One register of an I/O chip: what was written to it and read from it, repeats folded.

    Attributes
    ----------
    chip : str
    offset : int
        Address within the chip.
    good_written, bad_written, good_read, bad_read : tuple of int
        Bytes in order, each once where it repeats; at most 16.
    same_written : bool
        One of the written sequences begins with the other.
    """

    chip: str
    offset: int
    good_written: tuple[int, ...]
    bad_written: tuple[int, ...]
    good_read: tuple[int, ...]
    bad_read: tuple[int, ...]
    same_written: bool


@dataclass(frozen=True, slots=True)
class InterruptCount:
    """Interrupts taken: ``IRQ``, ``NMI``, ``BRK`` or ``reset``, in each boot."""

    kind: str
    good: int
    bad: int


@dataclass(frozen=True, slots=True)
class Parting:
    """From where on the boots go different ways though nothing was wrong so far.

    Attributes
    ----------
    cycle, good_cycle : int
        Of the last instruction that both ran.
    pc : int
    instruction : str
    cause : str
        The last read before it that may differ between healthy boots, in words.
    """

    cycle: int
    good_cycle: int
    pc: int
    instruction: str
    cause: str


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """A boot beside a known-good one, or beside the ROM image alone.

    Attributes
    ----------
    good : Reading or None
        None: the ROM image was the reference.
    bad : Reading
    verdict : {"no divergence", "divergence", "cannot conclude"}
    reason : str or None
        Why nothing can be concluded.
    first : Divergence or None
        The earliest.
    others : tuple of Divergence
        The earliest of every other kind, in order.
    ran_alike : int
        Instructions of the bad boot before the first divergence that have their like in the good
        one; with the image alone, instructions that were followed.
    recovers_at : int or None
        First cycle after the divergence from which the boots run alike again for good.
    parting : Parting or None
    lines : tuple of LineDifference
    chips : tuple of ChipTraffic
    registers : tuple of RegisterTraffic
    vectors : tuple of (name, good address or None, bad address or None)
    interrupts : tuple of InterruptCount
    not_compared : tuple of str
        What could not be compared, and why.
    partner : int64, shape (rows of the bad program,)
        Row of the good program beside each, -1 without one.
    expected, expected_known : uint8, shape (cycles of the bad boot,)
        Byte that memory should have given in each read, and which bits of it are known.
    exit_code : int
        0 no divergence, 1 divergence, 3 cannot conclude.
    """

    good: Reading | None
    bad: Reading
    verdict: Verdict
    reason: str | None
    first: Divergence | None
    others: tuple[Divergence, ...]
    ran_alike: int
    recovers_at: int | None
    parting: Parting | None
    lines: tuple[LineDifference, ...]
    chips: tuple[ChipTraffic, ...]
    registers: tuple[RegisterTraffic, ...]
    vectors: tuple[tuple[str, int | None, int | None], ...]
    interrupts: tuple[InterruptCount, ...]
    not_compared: tuple[str, ...]
    partner: npt.NDArray[np.int64]
    expected: npt.NDArray[np.uint8]
    expected_known: npt.NDArray[np.uint8]

    def __post_init__(self) -> None:
        for column in (self.partner, self.expected, self.expected_known):
            column.setflags(write=False)

    def __repr__(self) -> str:
        what = f" in cycle {self.first.cycle:,}" if self.first is not None else ""
        return f"<Comparison: {self.verdict}{what}>"

    @property
    def exit_code(self) -> int:
        """0 no divergence, 1 divergence, 3 cannot conclude."""
        return {"no divergence": 0, "divergence": 1, "cannot conclude": 3}[self.verdict]
