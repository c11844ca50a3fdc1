"""Tells from a logic analyser's export what is wrong with a 6502 board.

The usual way through::

    capture = open_capture("boot.vcd")
    reading = read_boot(capture, load_board("board.toml"))
    diagnosis = diagnose(reading)
    draw_timeline(reading, diagnosis=diagnosis)

Names are imported when they are first used, so that ``import bustrace`` is quick. In a notebook,
captures, cycles, readings and diagnoses show themselves as tables.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bustrace.board import Board, load_board
    from bustrace.capture import Capture, open_capture
    from bustrace.diagnosis import Diagnosis, Suspect, diagnose
    from bustrace.draw import draw_timeline
    from bustrace.errors import BustraceError, InputError
    from bustrace.faults import Fault
    from bustrace.findings import Finding, find_all
    from bustrace.reading import Reading, read_boot

__all__ = [
    "Board",
    "BustraceError",
    "Capture",
    "Diagnosis",
    "Fault",
    "Finding",
    "InputError",
    "Reading",
    "Suspect",
    "diagnose",
    "draw_timeline",
    "find_all",
    "load_board",
    "open_capture",
    "read_boot",
]

_HOME = {
    "Board": "board",
    "BustraceError": "errors",
    "Capture": "capture",
    "Diagnosis": "diagnosis",
    "Fault": "faults",
    "Finding": "findings",
    "InputError": "errors",
    "Reading": "reading",
    "Suspect": "diagnosis",
    "diagnose": "diagnosis",
    "draw_timeline": "draw",
    "find_all": "findings",
    "load_board": "board",
    "open_capture": "capture",
    "read_boot": "reading",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'bustrace' has no attribute {name!r}")
    return getattr(import_module(f"bustrace.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


_SHOWN_IN_NOTEBOOKS = (
    ("bustrace.capture.model", "Capture"),
    ("bustrace.cycles.model", "Cycles"),
    ("bustrace.program.model", "Program"),
    ("bustrace.reading", "Reading"),
    ("bustrace.diagnosis.model", "Diagnosis"),
)


def _html_of(value: object) -> str:
    from bustrace.report.notebook import html_of

    return html_of(value)


def _show_in_notebook(shell: Any) -> None:
    tables = shell.display_formatter.formatters["text/html"]
    for module, name in _SHOWN_IN_NOTEBOOKS:
        tables.for_type_by_name(module, name, _html_of)


if "IPython" in sys.modules and (shell := sys.modules["IPython"].get_ipython()) is not None:
    _show_in_notebook(shell)
