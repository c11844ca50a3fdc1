"""The verdict as a JSON document, described by ``diagnosis.schema.json``."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from bustrace.capture.model import Note
from bustrace.diagnosis import Diagnosis, Suspect
from bustrace.findings import Finding
from bustrace.program import Kind
from bustrace.reading import Reading
from bustrace.report.places import address_at
from bustrace.report.suspect_words import (
    caution_words,
    evidence_words,
    step_words,
    where_words,
)
from bustrace.report.text import headline
from bustrace.report.words import fault_words

SCHEMA = "bustrace.diagnosis/1"


def diagnosis_document(diagnosis: Diagnosis, reading: Reading) -> dict[str, Any]:
    """The verdict and what was read as plain values.

    Addresses and times (ps) are integers, faults stand by their ids, and what was not captured is
    None.
    """
    derail = diagnosis.derail
    steps = step_words(diagnosis)
    return {
        "schema": SCHEMA,
        "verdict": diagnosis.verdict,
        "exit_code": diagnosis.exit_code,
        "headline": headline(diagnosis),
        "summary": diagnosis.summary,
        "capture": _capture(reading),
        "board": _board(reading),
        "clock": _clock(reading),
        "program": _program(reading),
        "trust": [_note(note) for note in diagnosis.trust],
        "questions": list(reading.hookup.questions),
        "ladder": [
            {"name": rung.name, "status": rung.status, "text": rung.text}
            for rung in diagnosis.ladder
        ],
        "derail": None
        if derail is None
        else {
            "cycle": int(derail.cycle),
            "time_ps": int(derail.time_ps),
            "address": address_at(reading, derail.cycle),
            "seen": derail.seen,
            "expected": derail.expected,
            "text": derail.text,
            "consequences": int(derail.consequences),
        },
        "findings": [_finding(finding) for finding in diagnosis.findings],
        "suspects": [_suspect(s, diagnosis, reading) for s in diagnosis.suspects],
        "unexplained": list(diagnosis.unexplained),
        "not_exercised": list(diagnosis.not_exercised),
        "next_steps": steps,
        "cautions": caution_words(steps),
    }


def diagnosis_json(diagnosis: Diagnosis, reading: Reading) -> str:
    """`diagnosis_document` as text, ending with a line end."""
    document = diagnosis_document(diagnosis, reading)
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def diagnosis_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) that every document fits."""
    text = (files("bustrace.report") / "diagnosis.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _capture(reading: Reading) -> dict[str, Any]:
    capture, hookup = reading.capture, reading.hookup
    pins = {tap.line: tap for tap in (*hookup.taps, *hookup.second)}
    return {
        "source": capture.source,
        "mode": capture.mode,
        "rows": len(capture),
        "start_ps": int(capture.start_ps),
        "end_ps": int(capture.end_ps),
        "rate_hz": None
        if capture.rate is None
        else {"num": capture.rate.numerator, "den": capture.rate.denominator},
        "gaps_ps": [[int(start), int(end)] for start, end in capture.gaps],
        "lines": [
            {
                "name": line,
                "pin": pins[line].pin if line in pins else None,
                "inverted": pins[line].inverted if line in pins else None,
                "why": pins[line].why if line in pins else None,
                "place": pins[line].place if line in pins else None,
            }
            for line in capture.lines
        ],
    }


def _board(reading: Reading) -> dict[str, Any]:
    board = reading.board
    return {
        "name": board.name,
        "source": board.source or None,
        "complete": board.complete,
        "cpu": board.cpu.part,
        "not_fitted": [chip.ref for chip in board.chips if not chip.fitted],
    }


def _clock(reading: Reading) -> dict[str, Any]:
    clock = reading.cycles.clock
    return {
        "line": clock.line,
        "role": clock.role,
        "cycles": len(reading.cycles),
        "period_ps": _whole(clock.period_ps),
        "high_ps": _whole(clock.high_ps),
        "low_ps": _whole(clock.low_ps),
        "stops_ps": _whole(clock.stops_ps),
        "reason": reading.cycles.reason,
    }


def _program(reading: Reading) -> dict[str, Any]:
    program = reading.program
    return {
        "method": program.method,
        "instructions": int((program.kind == Kind.INSTRUCTION).sum()),
        "lost_at": _whole(program.lost_at),
        "jam_at": _whole(program.jam_at),
        "reason": program.reason,
    }


def _note(note: Note) -> dict[str, Any]:
    return {"kind": note.kind, "text": note.text, "option": note.option}


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "severity": finding.severity,
        "text": finding.text,
        "lines": list(finding.lines),
        "chips": list(finding.chips),
        "cycles": [int(cycle) for cycle in finding.cycles],
        "opportunities": int(finding.opportunities),
        "count": int(finding.count),
        "measured": finding.measured,
        "expected": finding.expected,
        "after_derail": bool(finding.after_derail),
    }


def _suspect(suspect: Suspect, diagnosis: Diagnosis, reading: Reading) -> dict[str, Any]:
    return {
        "fault": str(suspect.fault),
        "words": fault_words(suspect.fault),
        "where": where_words(suspect, reading),
        "alike": [str(fault) for fault in suspect.alike],
        "alike_words": [fault_words(fault) for fault in suspect.alike],
        "tell_apart": suspect.tell_apart,
        "probability": float(suspect.probability),
        "explains": list(suspect.explains),
        "explains_words": evidence_words(suspect.explains, diagnosis.findings),
        "against": list(suspect.against),
        "against_words": evidence_words(suspect.against, diagnosis.findings),
        "check": suspect.check,
    }


def _whole(value: int | None) -> int | None:
    return None if value is None else int(value)
