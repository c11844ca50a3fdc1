"""Two boots beside each other, or one beside the ROM image alone."""

from bustrace.compare.align import Alignment, align, beside
from bustrace.compare.boots import compare, compare_rom
from bustrace.compare.model import (
    Blame,
    ChipTraffic,
    Comparison,
    Divergence,
    InterruptCount,
    LineDifference,
    Parting,
    RegisterTraffic,
)
from bustrace.compare.steps import Step, steps_around

__all__ = [
    "Alignment",
    "Blame",
    "ChipTraffic",
    "Comparison",
    "Divergence",
    "InterruptCount",
    "LineDifference",
    "Parting",
    "RegisterTraffic",
    "Step",
    "align",
    "beside",
    "compare",
    "compare_rom",
    "steps_around",
]
