"""A comparison as a JSON document, described by ``comparison.schema.json``."""

from __future__ import annotations

import json
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from bustrace.compare import Comparison, Divergence

SCHEMA = "bustrace.comparison/1"


def compare_document(comparison: Comparison) -> dict[str, Any]:
    """A comparison as plain values; addresses and times (ps) are integers, None is not known."""
    good, bad, parting = comparison.good, comparison.bad, comparison.parting
    return {
        "schema": SCHEMA,
        "verdict": comparison.verdict,
        "exit_code": comparison.exit_code,
        "reason": comparison.reason,
        "good": None if good is None else good.capture.source,
        "bad": bad.capture.source,
        "board": bad.board.name,
        "first": None if comparison.first is None else _divergence(comparison.first),
        "others": [_divergence(other) for other in comparison.others],
        "ran_alike": comparison.ran_alike,
        "recovers_at": comparison.recovers_at,
        "parting": None if parting is None else asdict(parting),
        "lines": [asdict(line) for line in comparison.lines],
        "chips": [_listed(asdict(chip)) for chip in comparison.chips],
        "registers": [_listed(asdict(register)) for register in comparison.registers],
        "vectors": [
            {"name": name, "good": one, "bad": two} for name, one, two in comparison.vectors
        ],
        "interrupts": [asdict(count) for count in comparison.interrupts],
        "not_compared": list(comparison.not_compared),
    }


def compare_json(comparison: Comparison) -> str:
    """`compare_document` as text, ending with a line end."""
    document = compare_document(comparison)
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def compare_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) that every document fits."""
    text = (files("bustrace.report") / "comparison.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _divergence(divergence: Divergence) -> dict[str, Any]:
    return _listed(asdict(divergence))


def _listed(values: dict[str, Any]) -> dict[str, Any]:
    return {name: list(v) if isinstance(v, tuple) else v for name, v in values.items()}
