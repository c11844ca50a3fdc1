"""Clips that sit wrong, planted on what probes at the CPU's pins saw: no CPU model is needed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.drill.nets import Net, group_of_line
from bustrace.drill.planting import Planting
from bustrace.faults import Fault

Trace = Mapping[str, npt.NDArray[Any]]

TRACE_LINES = ("SYNC", "RES", "IRQ", "NMI", "RDY")
"""Single lines of a trace, R/W aside."""

_GROUPS = {"address": ("addr", 16), "data": ("data", 8), "rw": ("rw", 1)}
_OFF = ("low", "high")


def misclip(
    trace: Trace, plantings: Iterable[Planting], *, seed: int = 0
) -> dict[str, npt.NDArray[Any]]:
    """A trace as it would be had the clips been set wrong.

    Parameters
    ----------
    trace : mapping of str to array
        One entry a cycle: ``addr`` uint16, ``data``, ``rw`` and the lower-case `TRACE_LINES`
        uint8. Other columns are passed on.
    plantings : iterable of Planting
        ``clip`` faults. On the buses they have the ways of `bustrace.drill.variants_of`, other
        lines can only be ``low`` or ``high``. Without one: off, at a level by chance. Faults of
        the same line add up, in this order.
    seed : int

    Returns
    -------
    dict of str to array

    Raises
    ------
    ValueError
        Another family, or a line or a way that a trace has not.
    """
    rng = np.random.default_rng((seed, 1))
    shown = dict(trace)
    for planting in plantings:
        fault, level = planting.fault, _OFF[int(rng.integers(2))]
        if fault.family != "clip":
            raise ValueError(f"{fault}: only clips can be set wrong on a trace")
        name, column = _misclipped(shown, fault, planting.variant or level)
        acts = planting.when.acts(len(column), seed)
        shown[name] = np.where(acts, column, shown[name]).astype(shown[name].dtype)
    return shown


def _misclipped(trace: Trace, fault: Fault, variant: str) -> tuple[str, npt.NDArray[Any]]:
    """The column that a fault changes, and what it shows while the fault acts."""
    line = fault.lines[0]
    group, bit = group_of_line(line)
    if group is None:
        if line not in TRACE_LINES or variant not in _OFF:
            raise ValueError(f"{fault}: a trace has no such line, or it cannot be {variant}")
        column = trace[line.lower()]
        return line.lower(), np.full_like(column, variant == "high")
    name, width = _GROUPS[group]
    net = Net(width)
    if variant in _OFF:
        net.add("clip", "stuck", [bit], int(variant == "high"))
    elif group == "rw" or variant not in ("copies", "exchanged", "inverted"):
        raise ValueError(f"{fault}: its clip cannot be {variant}")
    else:
        net.add("clip", variant, [bit, bit ^ 1])
    return name, net.table("clip")[trace[name]]
