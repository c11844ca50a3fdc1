"""Readings and verdicts for people and for programs: text, JSON, the listing, the address map."""

from bustrace.report.board_draft import draft_text
from bustrace.report.board_map import board_text
from bustrace.report.boot_story import boot_story
from bustrace.report.compare_json import compare_document, compare_json, compare_schema
from bustrace.report.compare_text import compare_headline, compare_text
from bustrace.report.diagnosis_json import diagnosis_document, diagnosis_json, diagnosis_schema
from bustrace.report.instruction_listing import instruction_lines
from bustrace.report.layout import Paper, show
from bustrace.report.listing import listing_lines, why_nothing
from bustrace.report.look import line_activity, look_text
from bustrace.report.text import diagnosis_text, headline
from bustrace.report.words import class_words, fault_words, probability_words

__all__ = [
    "Paper",
    "board_text",
    "boot_story",
    "class_words",
    "compare_document",
    "compare_headline",
    "compare_json",
    "compare_schema",
    "compare_text",
    "diagnosis_document",
    "diagnosis_json",
    "diagnosis_schema",
    "diagnosis_text",
    "draft_text",
    "fault_words",
    "headline",
    "instruction_lines",
    "line_activity",
    "listing_lines",
    "look_text",
    "probability_words",
    "show",
    "why_nothing",
]
