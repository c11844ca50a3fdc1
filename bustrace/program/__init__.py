"""The instructions that the cycles were."""

from bustrace.program.accesses import Accesses, accesses_of, reads_of
from bustrace.program.answering import Answering, answering, states_met
from bustrace.program.bank_state import bank_state
from bustrace.program.boundaries import does_not_wait
from bustrace.program.disagreements import LINES, Disagreements, disagreements
from bustrace.program.habits import (
    Depth,
    Elsewhere,
    Fetched,
    Interrupts,
    code_elsewhere,
    fetched_from,
    interrupts_of,
    stack_depth,
)
from bustrace.program.had_it_read import acted_upon
from bustrace.program.handlers import RTI, open_interrupts
from bustrace.program.listing import ListingCycle, ListingRow, listing_rows
from bustrace.program.loops import Loop, find_loops, main_rows
from bustrace.program.model import REGISTERS, Departure, Intent, Kind, Program, ReadCorrection
from bustrace.program.phases import Phase, phases_of
from bustrace.program.recover import recover_program
from bustrace.program.shapes import opcode_shares
from bustrace.program.waits import Poll, Wait, bit_words, final_wait, polls_of, wait_in

__all__ = [
    "LINES",
    "REGISTERS",
    "RTI",
    "Accesses",
    "Answering",
    "Departure",
    "Depth",
    "Disagreements",
    "Elsewhere",
    "Fetched",
    "Intent",
    "Interrupts",
    "Kind",
    "ListingCycle",
    "ListingRow",
    "Loop",
    "Phase",
    "Poll",
    "Program",
    "ReadCorrection",
    "Wait",
    "accesses_of",
    "acted_upon",
    "answering",
    "bank_state",
    "bit_words",
    "code_elsewhere",
    "disagreements",
    "does_not_wait",
    "fetched_from",
    "final_wait",
    "find_loops",
    "interrupts_of",
    "listing_rows",
    "main_rows",
    "opcode_shares",
    "open_interrupts",
    "phases_of",
    "polls_of",
    "reads_of",
    "recover_program",
    "stack_depth",
    "states_met",
    "wait_in",
]
