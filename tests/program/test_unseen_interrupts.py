"""Interrupts followed where only the address bus, the data bus and R/W were clipped."""

import numpy as np
import pytest

from bustrace.program import Kind, recover_program
from bustrace.program.thread import Thread
from bustrace.program.unseen import unseen_interrupts


def true_kinds(trace):
    """First cycles of interrupts in a recording, by the vector that their sequences read."""
    reads = (trace["rw"] == 1) & (np.roll(trace["rw"], 1) == 0)
    found = {}
    for name, vector in (("irq", 0xFFFE), ("nmi", 0xFFFA)):
        at = np.flatnonzero(reads & (trace["addr"] == vector))
        # Bit 4 of the byte pushed last is high after BRK (hardware manual, A.5.4).
        found[name] = at[trace["data"][at - 1] & 0x10 == 0] - 5
    return found


@pytest.mark.slow
def test_interrupts_on_pins_that_were_not_clipped_are_rows(interrupts_trace, clip):
    program = recover_program(clip(interrupts_trace, pins=("RW",)))
    true = true_kinds(interrupts_trace)
    assert program.lost_at is None
    assert len(true["irq"]) > 20
    assert len(true["nmi"]) > 20
    for kind, at in ((Kind.IRQ, true["irq"]), (Kind.NMI, true["nmi"])):
        rows = np.isin(program.kind, (kind, Kind.NMI)) & (program.opcode == -1)
        assert set(at.tolist()) <= set(program.first_cycle[rows].tolist())
    assert any("lines do not show" in note.text for note in program.notes)


@pytest.mark.slow
def test_only_pins_that_were_not_clipped_are_told_by_the_bus(interrupts_trace, clip):
    def told(pins, **options):
        thread = Thread(clip(interrupts_trace, pins=pins, **options))
        return {patch.column for patch in unseen_interrupts(thread)}

    assert told(("RW",)) == {"irq", "nmi"}
    assert told(("RW", "IRQ")) == {"nmi"}
    assert told(("RW", "IRQ", "NMI")) == set()
    assert told(("RES",)) == set()
    assert told(("RW",), address_mask=0x7F) == set()
    assert told(("RW",), data_mask=0xEF) == set()
