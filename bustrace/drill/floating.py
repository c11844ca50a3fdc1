"""Levels that no driver decides: an undriven bus, and lines that hang between low and high."""

from __future__ import annotations

from typing import Literal

import numpy as np

Undriven = Literal["keeps", "high", "mixed", "decays", "noisy"]
"""What a data bus that nobody drives shows.

``keeps``: its last byte, held by its capacitance. ``high``: $FF, where pull-ups or LS inputs draw
it up (facts of the trade). ``mixed``: some lines keep their level, the others are drawn up.
``decays``: each line keeps its level for some cycles and then drifts high. ``noisy``: some lines
pick up anything, and now and then the CPU takes another level than the clip.
"""

UNDRIVEN: tuple[Undriven, ...] = ("keeps", "high", "mixed", "decays", "noisy")

LONGEST_DECAY = 6
"""Cycles after which a line has drifted high for certain."""

_MIDDLE, _SPREAD = 1.4, 0.12
"""Volts of a marginal level, about the threshold of a TTL input (1.3 to 1.4 V, facts of the trade),
and how much it varies from cycle to cycle."""


class Floating:
    """The data bus where nobody drives it."""

    def __init__(self, kind: Undriven, rng: np.random.Generator) -> None:
        self.kind = kind
        self._rng = rng
        self._some = int(rng.integers(1, 0xFF))
        self._decay = rng.integers(1, LONGEST_DECAY, 8).tolist()

    @property
    def noisy(self) -> bool:
        """Whether each cycle draws its own levels, used or not."""
        return self.kind == "noisy"

    @property
    def pulled(self) -> int:
        """Lines that have a pull-up strong enough to act while phase 2 is low."""
        return self._some if self.kind == "mixed" else 0

    def levels(self, last: int, idle: int) -> tuple[int, int]:
        """What the CPU takes and what the clip sees.

        Parameters
        ----------
        last : int
            The byte that was last driven.
        idle : int
            For how many cycles nobody has driven the bus, this one included.
        """
        if self.kind == "keeps":
            return last, last
        if self.kind == "high":
            return 0xFF, 0xFF
        if self.kind == "mixed":
            return last | self._some, last | self._some
        if self.kind == "decays":
            drifted = sum(1 << bit for bit, after in enumerate(self._decay) if idle >= after)
            return last | drifted, last | drifted
        noise, other = self._rng.integers(256, size=2).tolist()
        taken = last & ~self._some | noise & self._some
        seen = noise & ~other if self._rng.random() < 0.25 else noise
        return taken, last & ~self._some | seen & self._some


class Thresholds:
    """The CPU and the clip each take a marginal level for what their own threshold makes of it."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._cpu, self._clip = (_MIDDLE + rng.uniform(-0.1, 0.1, 2)).tolist()

    def levels(self, byte: int, marginal: int) -> tuple[int, int]:
        """A byte as the CPU takes it and as the clip sees it, the bits of `marginal` in between."""
        volts = self._rng.normal(_MIDDLE, _SPREAD, 8)
        cpu, clip = (
            int(np.packbits(volts > threshold, bitorder="little")[0])
            for threshold in (self._cpu, self._clip)
        )
        keep = byte & ~marginal
        return keep | cpu & marginal, keep | clip & marginal
