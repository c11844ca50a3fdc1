"""Simulated boards with planted faults, sampled as an analyser would."""

from bustrace.drill.dialects import DIALECTS, NAMING, export
from bustrace.drill.model import CPU_DRIVES, BusRecord
from bustrace.drill.sample import sample
from bustrace.drill.simulate import simulate
from bustrace.drill.waveform import Waveform, line_names, waveform

__all__ = [
    "CPU_DRIVES",
    "DIALECTS",
    "NAMING",
    "BusRecord",
    "Waveform",
    "export",
    "line_names",
    "sample",
    "simulate",
    "waveform",
]
