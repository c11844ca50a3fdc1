"""Simulated boards with planted faults, sampled as an analyser would."""

from bustrace.drill.assembler import Assembled, SourceError, assemble
from bustrace.drill.chip_faults import is_same_block
from bustrace.drill.clip_traces import misclip
from bustrace.drill.dialects import DIALECTS, NAMING, export
from bustrace.drill.firmware import MadeBoard, make_board
from bustrace.drill.groups import Group, shared_groups
from bustrace.drill.healthy import HealthyBoot, healthy_boots, healthy_boots_of
from bustrace.drill.io_firmware import make_io_board
from bustrace.drill.limits import BusLimits, limits_for
from bustrace.drill.model import CPU_DRIVES, BusRecord, Display, Join, PowerOn, control_lines
from bustrace.drill.nuisances import Nuisances, as_described, draw_nuisances
from bustrace.drill.plantable import plantable
from bustrace.drill.planting import (
    ALWAYS,
    Occurrence,
    Planting,
    as_planting,
    every_way,
    settled,
    variants_of,
)
from bustrace.drill.sample import sample
from bustrace.drill.simulate import simulate
from bustrace.drill.waveform import Waveform, line_names, waveform

__all__ = [
    "ALWAYS",
    "CPU_DRIVES",
    "DIALECTS",
    "NAMING",
    "Assembled",
    "BusLimits",
    "BusRecord",
    "Display",
    "Group",
    "HealthyBoot",
    "Join",
    "MadeBoard",
    "Nuisances",
    "Occurrence",
    "Planting",
    "PowerOn",
    "SourceError",
    "Waveform",
    "as_described",
    "as_planting",
    "assemble",
    "control_lines",
    "draw_nuisances",
    "every_way",
    "export",
    "healthy_boots",
    "healthy_boots_of",
    "is_same_block",
    "limits_for",
    "line_names",
    "make_board",
    "make_io_board",
    "misclip",
    "plantable",
    "sample",
    "settled",
    "shared_groups",
    "simulate",
    "variants_of",
    "waveform",
]
