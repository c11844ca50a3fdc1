"""The instructions that the cycles were."""

from bustrace.program.bank_state import bank_state
from bustrace.program.disagreements import LINES, Disagreements, disagreements
from bustrace.program.listing import ListingCycle, ListingRow, listing_rows
from bustrace.program.model import REGISTERS, Intent, Kind, Program, ReadCorrection
from bustrace.program.recover import recover_program

__all__ = [
    "LINES",
    "REGISTERS",
    "Disagreements",
    "Intent",
    "Kind",
    "ListingCycle",
    "ListingRow",
    "Program",
    "ReadCorrection",
    "bank_state",
    "disagreements",
    "listing_rows",
    "recover_program",
]
