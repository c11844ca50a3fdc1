"""Names to pins, polarity and clip places."""

from bustrace.hookup.hookup_file import load_hookup
from bustrace.hookup.identify import identify_hookup, parse_pin
from bustrace.hookup.model import (
    ADDRESS_PINS,
    CLOCK_PINS,
    DATA_PINS,
    SELECT,
    Hookup,
    Tap,
)
from bustrace.hookup.names import CONTROL_PINS, PINS, Meaning, meaning_of

__all__ = [
    "ADDRESS_PINS",
    "CLOCK_PINS",
    "CONTROL_PINS",
    "DATA_PINS",
    "PINS",
    "SELECT",
    "Hookup",
    "Meaning",
    "Tap",
    "identify_hookup",
    "load_hookup",
    "meaning_of",
    "parse_pin",
]
