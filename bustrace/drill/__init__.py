"""Simulated boards with planted faults, sampled as an analyser would."""

from bustrace.drill.dialects import DIALECTS, NAMING, export
from bustrace.drill.firmware import MadeBoard, make_board
from bustrace.drill.healthy import HealthyBoot, healthy_boots
from bustrace.drill.limits import BusLimits, limits_for
from bustrace.drill.model import CPU_DRIVES, BusRecord
from bustrace.drill.sample import sample
from bustrace.drill.simulate import simulate
from bustrace.drill.waveform import Waveform, line_names, waveform

__all__ = [
    "CPU_DRIVES",
    "DIALECTS",
    "NAMING",
    "BusLimits",
    "BusRecord",
    "HealthyBoot",
    "MadeBoard",
    "Waveform",
    "export",
    "healthy_boots",
    "limits_for",
    "line_names",
    "make_board",
    "sample",
    "simulate",
    "waveform",
]
