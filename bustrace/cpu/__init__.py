"""The CPU: microcycle table, variants, opcode matrix, cycle-exact executor and batch replay."""

from bustrace.cpu.executor import (
    REGISTERS,
    CpuState,
    Executor,
)
from bustrace.cpu.listing import instruction_length, instruction_text, opcode_info
from bustrace.cpu.opcodes import Opcode
from bustrace.cpu.replaying import (
    Replayed,
    ReplayTrace,
    SequenceKind,
    StopReason,
    replay,
    replay_levels,
)
from bustrace.cpu.variants import VARIANTS, Variant, die_of, variant_named

__all__ = [
    "REGISTERS",
    "VARIANTS",
    "CpuState",
    "Executor",
    "Opcode",
    "ReplayTrace",
    "Replayed",
    "SequenceKind",
    "StopReason",
    "Variant",
    "die_of",
    "instruction_length",
    "instruction_text",
    "opcode_info",
    "replay",
    "replay_levels",
    "variant_named",
]
