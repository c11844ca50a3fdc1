"""Recordings of a transistor-level simulation of the NMOS 6502, replayed cycle by cycle.

Source: `chip_traces/` of the reference data (pins of the chip running a program that uses all 151
documented opcodes) and the truth beside the sample captures (other boots, some derailed).
"""

import json
from itertools import pairwise

import numpy as np
import pytest

from bustrace.cpu import CpuState, SequenceKind, StopReason, opcode_info, replay

PINS = ("res", "irq", "nmi", "rdy")


def load(path):
    with np.load(path) as packed:
        return {name: packed[name] for name in packed.files}


def replayed(trace, start=None, **options):
    return replay(
        start or CpuState.at_reset(),
        trace["data"],
        address=trace["addr"],
        data=trace["data"],
        rw=trace["rw"],
        sync=trace["sync"],
        **{name: trace[name] for name in PINS},
        **options,
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ["exer_interrupts", "exer_rdy"])
def test_every_cycle_of_a_chip_trace_agrees(reference_dir, name):
    """Address, R/W, SYNC and written data in every cycle, S unknown until the program sets it."""
    trace = load(reference_dir / "chip_traces" / f"{name}.npz")
    result = replayed(trace)
    assert result.stop is StopReason.RAN_OUT, result.first_mismatch
    assert len(result) == len(trace["addr"])
    settled = slice(np.flatnonzero(trace["addr"] == 0xFFFC)[0], None)
    # Only a wait in a carrying store or branch leaves part of an address open.
    assert (result.address_known[settled] == 0xFFFF).mean() > 0.999
    known = result.address_known == 0xFFFF
    np.testing.assert_array_equal(result.address[known], trace["addr"][known])
    writes = (result.rw == 0) & (result.data_out_known == 0xFF)
    np.testing.assert_array_equal(result.data_out[writes], trace["data"][writes])
    assert writes.sum() > 0.95 * (trace["rw"] == 0).sum()


@pytest.mark.slow
def test_traces_exercise_what_they_are_for(reference_dir):
    """All documented opcodes, IRQ, NMI, BRK and RDY waits occur in what agrees above."""
    trace = load(reference_dir / "chip_traces" / "exer_interrupts.npz")
    result = replayed(trace)
    plain = result.kind == SequenceKind.INSTRUCTION
    documented = {o for o in range(256) if opcode_info("6502", o).documented}
    assert documented - {0} <= set(result.opcode[plain].tolist())
    counts = np.bincount(result.kind, minlength=6)
    assert counts[SequenceKind.RESET] == 1
    assert counts[SequenceKind.IRQ] > 50
    assert counts[SequenceKind.NMI] > 50
    assert counts[SequenceKind.BRK] > 0
    waits = load(reference_dir / "chip_traces" / "exer_rdy.npz")
    assert ((waits["rdy"] == 0) & (waits["rw"] == 1)).sum() > 200
    assert ((waits["rdy"] == 0) & (waits["rw"] == 0)).any(), "writes run on"


@pytest.mark.slow
def test_chunks_give_what_the_whole_gives(reference_dir):
    """Cut anywhere and carried on from the state, the replay is the same."""
    trace = load(reference_dir / "chip_traces" / "exer_interrupts.npz")
    whole = replayed(trace)
    state = CpuState.at_reset()
    address, known, first = [], [], []
    edges = [0, 1, 17, 26, 1221, 1224, 4000, 40001, 80000]
    for low, high in pairwise(edges):
        part = replayed({name: column[low:high] for name, column in trace.items()}, state)
        state = part.state
        address.append(part.address)
        known.append(part.address_known)
        first.append(part.first_cycle + low)
    np.testing.assert_array_equal(np.concatenate(address), whole.address)
    np.testing.assert_array_equal(np.concatenate(known), whole.address_known)
    assert set(whole.first_cycle) <= set(np.concatenate(first))
    assert set(np.concatenate(first)) - set(whole.first_cycle) <= set(edges)


@pytest.mark.slow
def test_boots_of_the_sample_captures_replay_unless_the_cpu_side_is_at_fault(captures_dir):
    """The truth holds levels at the pins; only a short there can contradict the CPU.

    Derailed boots run undocumented and jam opcodes, so those agree with the chip too.
    """
    labels = json.loads((captures_dir / "labels.json").read_text())
    assert labels
    contradicted = []
    for path in sorted(captures_dir.glob("*.truth.npz")):
        truth = load(path)
        if truth["res"][0]:
            continue
        result = replayed(truth)
        if result.stop is not StopReason.RAN_OUT:
            contradicted.append((path.name.removesuffix(".truth.npz"), result.first_mismatch))
    # A9 held high shows at the pin from the first stack cycle; D1 and D4 shorted, in a write.
    assert [name for name, _ in contradicted] == ["a9_stuck_high", "d1_d4_short"]
