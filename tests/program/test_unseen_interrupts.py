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


@pytest.mark.slow
@pytest.mark.parametrize("mask", [0xFFFF, 0xFFF8], ids=["all lines", "without A0 to A2"])
def test_an_interrupt_near_the_end_of_the_recording_is_followed(interrupts_trace, clip, mask):
    """With too little after it to try who interrupted, or with its last cycles cut off."""
    begins = true_kinds(interrupts_trace)["irq"][3:6]
    for begin in begins.tolist():
        for length in (3, 4, 5, 6, 7, 12, 20):
            if length == 3 and not mask & 1:
                continue  # a push looks the same
            kept = slice(begin + length)
            program = recover_program(
                clip(interrupts_trace, pins=("RW",), address_mask=mask, keep=kept)
            )
            row = program.row_of(begin)
            assert (int(program.first_cycle[row]), program.lost_at) == (begin, None)
            assert program.kind[row] in (Kind.IRQ, Kind.NMI)
            seen = interrupts_trace["addr"][begin : kept.stop] & mask
            assert (program.intent.address[begin:] & mask == seen).all()


@pytest.mark.slow
def test_a_push_at_the_end_of_the_recording_is_no_interrupt(interrupts_trace, clip):
    """Without A0 it reads one address twice, and writes to the stack."""
    address, data, read = (interrupts_trace[name] for name in ("addr", "data", "rw"))
    pushes = (data[:-2] == 0x48) & (read[:-2] == 1) & (read[1:-1] == 1) & (read[2:] == 0)
    pushes &= (address[1:-1] == address[:-2] + 1) & (address[2:] >> 8 == 1)
    # An interrupt writes three times in a row.
    found = [at for at in np.flatnonzero(pushes).tolist() if at > 500 and read[at + 3] == 1]
    assert len(found) > 3
    for begin in found[:4]:
        kept = slice(begin + 3)
        thread = Thread(clip(interrupts_trace, pins=("RW",), address_mask=0xFFF8, keep=kept))
        ends = [max(patch.cycles) for patch in unseen_interrupts(thread)]
        assert all(end < begin - 2 for end in ends)


@pytest.mark.slow
def test_the_pushed_status_tells_nmi_where_the_lines_do_not(interrupts_trace, clip):
    """Without A0 to A2 both vectors look alike, and an IRQ is not taken with the I flag set."""
    true = true_kinds(interrupts_trace)["nmi"]
    masked = true[interrupts_trace["data"][true + 4] & 0x04 != 0]
    thread = Thread(clip(interrupts_trace, pins=("RW",), address_mask=0xFFF8))
    told = {max(p.cycles) + 2 for p in unseen_interrupts(thread) if p.column == "nmi"}
    assert len(masked) > 3
    assert told == set(masked.tolist())
