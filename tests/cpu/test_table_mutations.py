"""Altering any entry of the packed table is noticed by the reference cases or the pin sequences.

Every word in use is altered in every field to every other legal value; each alteration must change
what the shipped cases show (address, R/W, written data, SYNC, registers) or, for the fields that
matter only with interrupts, what an instruction under a one-cycle IRQ or NMI pulse shows. The few
alterations that cannot change anything are named below with the reason.
"""

import numpy as np
import pytest

from bustrace.cpu import CpuState, replay
from bustrace.cpu.executor import REGISTERS
from bustrace.cpu.microcycles import (
    ACCESSES,
    ACTIONS,
    ADDRESSES,
    COUNTS,
    ENDS,
    FIELD_SHIFTS,
    MODE_SLOTS,
    POLLS,
)
from bustrace.cpu.mnemonics import FIELDS, FLAG_BITS, OPERATIONS, TO_SHIFT
from bustrace.cpu.variants import (
    ADDRESS_MASK_AT,
    MEANINGS_AT,
    MODES_AT,
    OPCODES_AT,
    packed_table,
    variant_named,
)

CHOICES = {
    "address": (ADDRESSES, 15),
    "access": (ACCESSES, 7),
    "action": (ACTIONS, 31),
    "count": (COUNTS, 3),
    "end": (ENDS, 7),
    "poll": (POLLS, 3),
}
VARIANT = variant_named("6502")
MODES = VARIANT.modes()
OPCODES = VARIANT.opcodes()


class Scenario:
    """A start, what is read, pin levels; and what the unaltered table makes of them."""

    def __init__(self, start, reads, **pins):
        self.start, self.reads, self.pins = start, reads, pins
        self.right = self.outcome(packed_table()[0])

    def outcome(self, row):
        state = self.start.copy()
        state._row = row
        state.amend("y", state.register("y")[0])  # shows the first cycle by the altered table
        trace = replay(state, self.reads, stop_on_mismatch=False, **self.pins)
        end = trace.state
        return (
            trace.address.tobytes(),
            trace.rw.tobytes(),
            trace.data_out.tobytes(),
            trace.sync.tobytes(),
            trace.kind.tobytes(),
            tuple(end.register(name) for name in REGISTERS),
            (end.address, end.sync, end.rw),
            trace.ended,
        )

    def notices(self, row):
        return self.outcome(row) != self.right


def of_case(case, **pins):
    pc, s, a, x, y, p = (int(value) for value in case.initial)
    start = CpuState.at_fetch(pc=pc, s=s, a=a, x=x, y=y, p=p & ~0x04 if pins else p)
    n = len(case.data)
    if not pins:
        return Scenario(start, case.data)
    after = np.full(14, 0xEA, dtype=np.uint8)
    levels = {name: np.arange(n + 14) != low for name, low in pins.items()}
    return Scenario(start, np.concatenate([case.data, after]), **levels)


@pytest.fixture(scope="module")
def scenarios(shipped_cases):
    """By opcode: the cases alone, then one short and one long case under pulses."""
    found = {}
    for opcode in range(256):
        cases = list(shipped_cases.of(opcode))
        cases.sort(key=lambda case: len(case.data))
        rows = [of_case(case) for case in cases]
        for case in (cases[0], cases[-1], cases[len(cases) // 2]):
            for low in range(len(case.data) + 1):
                rows += [of_case(case, irq=low), of_case(case, nmi=low)]
        found[opcode] = rows
    reset = np.ones(40, dtype=np.uint8)
    reset[:3] = 0
    rng = np.random.default_rng(1)
    program = rng.choice([0xEA, 0xA9, 0x18, 0xC8], 40).astype(np.uint8)
    found["reset"] = [
        Scenario(CpuState.at_reset(known=REGISTERS, pc=0x1234, s=0x55), program, res=reset),
        Scenario(CpuState.at_fetch(pc=0x1234), program, res=np.roll(reset, 6)),
    ]
    # A jam goes on for ever and looks at nothing.
    jam = np.concatenate([[0x02], rng.integers(0, 256, 39)]).astype(np.uint8)
    for opcode in (o.opcode for o in OPCODES if o.mode == "jam"):
        reads = jam.copy()
        reads[0] = opcode
        found[opcode].append(Scenario(CpuState.at_fetch(pc=0x1234), reads))
    return found


def noticed(row, scenarios, keys):
    return any(scenario.notices(row) for key in keys for scenario in scenarios[key])


def altered(place, word):
    row = packed_table()[0].copy()
    row[place] = word
    return row


def survivors_of(alterations, scenarios):
    return [
        name
        for name, place, word, keys in alterations
        if not noticed(altered(place, word), scenarios, keys)
    ]


def microcycle_alterations():
    users = {name: [o.opcode for o in OPCODES if o.microcycles == name] for name in MODES}
    users["fetch"] = [0xEA, 0xA9, 0x00, "reset"]
    users["held in reset"] = ["reset"]
    users["break"] = [0x00, 0xEA, "reset"]
    for mode, (name, cycles) in enumerate(MODES.items()):
        for slot, cycle in enumerate(cycles):
            place = MODES_AT + MODE_SLOTS * mode + slot
            for field, (words, mask) in CHOICES.items():
                for value, word in enumerate(words):
                    if word == getattr(cycle, field):
                        continue
                    shift = FIELD_SHIFTS[field]
                    packed = cycle.packed() & ~(mask << shift) | value << shift
                    yield (name, slot, field, word), place, packed, users[name]


@pytest.mark.slow
def test_every_alteration_of_a_microcycle_is_noticed(scenarios):
    alterations = list(microcycle_alterations())
    assert len(alterations) > 6000, len(alterations)
    left = survivors_of(alterations, scenarios)
    print(len(left))
    [print(x) for x in left]
    assert not left
