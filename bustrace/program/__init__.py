"""The instructions that the cycles were."""

from bustrace.program.model import REGISTERS, Intent, Kind, Program
from bustrace.program.recover import recover_program

__all__ = ["REGISTERS", "Intent", "Kind", "Program", "recover_program"]
