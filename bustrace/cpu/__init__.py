"""The CPU: microcycle table, variants, opcode matrix, cycle-exact executor and batch replay."""

from bustrace.cpu.executor import (
    REGISTERS,
    CpuState,
    Executor,
    ReplayTrace,
    SequenceKind,
    StopReason,
    replay,
)
from bustrace.cpu.opcodes import Opcode
from bustrace.cpu.variants import VARIANTS, Variant, variant_named

__all__ = [
    "REGISTERS",
    "VARIANTS",
    "CpuState",
    "Executor",
    "Opcode",
    "ReplayTrace",
    "SequenceKind",
    "StopReason",
    "Variant",
    "replay",
    "variant_named",
]
