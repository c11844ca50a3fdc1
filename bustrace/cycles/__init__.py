"""Clock edges, the sampling point, bus cycles as columns."""

from bustrace.cycles.find import find_cycles
from bustrace.cycles.model import (
    CONTROL,
    CONTROL_BIT,
    IN_RESET,
    OWNER_CPU,
    OWNER_FOREIGN,
    OWNER_UNKNOWN,
    SHORT,
    STRETCHED,
    UNSETTLED,
    Clock,
    Cycles,
    Sampling,
)
from bustrace.cycles.state_table import write_state_table
from bustrace.cycles.stretches import stretches

__all__ = [
    "CONTROL",
    "CONTROL_BIT",
    "IN_RESET",
    "OWNER_CPU",
    "OWNER_FOREIGN",
    "OWNER_UNKNOWN",
    "SHORT",
    "STRETCHED",
    "UNSETTLED",
    "Clock",
    "Cycles",
    "Sampling",
    "find_cycles",
    "stretches",
    "write_state_table",
]
