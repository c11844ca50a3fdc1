"""Readings and verdicts for people and for programs: text, JSON."""

from bustrace.report.diagnosis_json import diagnosis_document, diagnosis_json, diagnosis_schema
from bustrace.report.layout import Paper, show
from bustrace.report.text import diagnosis_text
from bustrace.report.words import alike_words, fault_words, probability_words

__all__ = [
    "Paper",
    "alike_words",
    "diagnosis_document",
    "diagnosis_json",
    "diagnosis_schema",
    "diagnosis_text",
    "fault_words",
    "probability_words",
    "show",
]
