"""Altering any entry of the packed table is noticed by the reference cases or the pin sequences.

Every word in use is altered in every field to every other legal value; each alteration must change
what the shipped cases show (address, R/W, written data, SYNC, registers) or, for the fields that
matter only with interrupts, what an instruction under a one-cycle IRQ or NMI pulse shows. The few
alterations that cannot change anything are named below with the reason.
"""

import numpy as np
import pytest

from bustrace.cpu import CpuState, _kernels, replay
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
from bustrace.cpu.mnemonics import FIELDS, FLAG_BITS, OPERATIONS, TO_SHIFT, packed_meanings
from bustrace.cpu.variants import (
    ADDRESS_MASK_AT,
    MEANINGS_AT,
    MODES_AT,
    OPCODES_AT,
    packed_table,
    variant_named,
)

# What an instruction before may have left inside; no instruction may lean on it.
HIDDEN_FIELDS = (_kernels.AL, _kernels.AH, _kernels.POINTER, _kernels.LATCH)

VARIANT = variant_named("6502")
MODES = VARIANT.modes()
OPCODES = VARIANT.opcodes()
MNEMONICS = {o.operation for o in OPCODES}


def words_used(field, words):
    """The vocabulary of a field as far as this part goes: its first words."""
    used = {getattr(cycle, field) for cycles in MODES.values() for cycle in cycles}
    return words[: 1 + max(words.index(word) for word in used)]


CHOICES = {
    "address": (words_used("address", ADDRESSES), 15),
    "access": (words_used("access", ACCESSES), 7),
    "action": (words_used("action", ACTIONS), 31),
    "count": (words_used("count", COUNTS), 3),
    "end": (words_used("end", ENDS), 15),
    "poll": (words_used("poll", POLLS), 3),
}


class Scenario:
    """A start, what is read, pin levels; and what the unaltered table makes of them."""

    def __init__(self, start, reads, **pins):
        self.start, self.reads, self.pins = start, reads, pins
        self.right = self.outcome(packed_table()[0])

    def outcome(self, row):
        state = self.start.copy()
        state._row = row
        for hidden in HIDDEN_FIELDS:
            state._fields[hidden] = 0x5A
        state._fields[_kernels.CARRY] = len(self.reads) // 2 & 1
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
        for p in (0x20, 0x21):  # random cases hardly ever compare equals
            equals = CpuState.at_fetch(pc=0x8000, a=0x40, x=0x40, y=0x40, s=0x40, p=p)
            rows.append(Scenario(equals, np.array([opcode] + [0x40] * 7, dtype=np.uint8)))
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
                    after = {"action": cycle.action, "count": cycle.count, field: word}
                    if after["action"].endswith(("+x", "+y")) and after["count"] in ("s+", "s-"):
                        continue  # refused when the table is read
                    shift = FIELD_SHIFTS[field]
                    packed = cycle.packed() & ~(mask << shift) | value << shift
                    yield (name, slot, field, word), place, packed, users[name]


# What each action changes that no pin shows at once, what it overwrites wholly, what reads it.
EFFECTS = {
    "": (),
    "opcode": ("MNEMONIC",),
    "low": ("AL", "AH"),
    "low+x": ("AL", "CARRY"),
    "low+y": ("AL", "CARRY"),
    "high": ("AH",),
    "high+x": ("AH", "AL", "CARRY"),
    "high+y": ("AH", "AL", "CARRY"),
    "carry": ("AH",),
    "carry&high": ("AH", "LATCH"),
    "pointer": ("POINTER",),
    "pointer+x": ("POINTER", "CARRY"),
    "latch": ("LATCH",),
    "target": ("PCL", "CARRY"),
    "target/carry": ("PCH",),
    "jump": ("PCL", "PCH"),
    "flags": ("P",),
    "pc+": ("PCL", "PCH"),
}
# For mnemonics that change no register.
SILENT_EFFECTS = {"operate": (), "operate/carry": ("AH",), "modify": ("LATCH",)}
OVERWRITES = {
    "low": ("AL", "AH"),
    "high": ("AH",),
    "high+x": ("AH",),
    "high+y": ("AH",),
    "pointer": ("POINTER",),
    "latch": ("LATCH",),
    "jump": ("PCL", "PCH"),
    "flags": ("P",),
}
READS = {
    "pc": ("PCL", "PCH"),
    "ad": ("AL", "AH"),
    "ad.next": ("AL", "AH"),
    "ptr": ("POINTER",),
    "ptr.next": ("POINTER",),
    "W:latch": ("LATCH",),
    "W:store": ("MNEMONIC",),
    "W:pch": ("PCH",),
    "W:pcl": ("PCL",),
    "W:p": ("P",),
    "operate": ("MNEMONIC", "P"),
    "accumulate": ("MNEMONIC", "P"),
    "modify": ("LATCH", "MNEMONIC", "P"),
    "operate/carry": ("AH", "CARRY", "MNEMONIC", "P"),
    "low+x": ("AL",),
    "low+y": ("AL",),
    "high+x": ("AL",),
    "high+y": ("AL",),
    "carry": ("AH", "CARRY"),
    "carry&high": ("AH", "CARRY", "MNEMONIC"),
    "pointer+x": ("POINTER",),
    "target": ("LATCH", "PCL"),
    "target/carry": ("CARRY", "PCH"),
    "jump": ("LATCH",),
    "end:same": ("CARRY",),
    "end:untaken": ("MNEMONIC", "P"),
}


def is_read_later(what, cycles, slot):
    for cycle in cycles[slot + 1 :]:
        for word in (cycle.address, cycle.access, cycle.action, cycle.end):
            if what in READS.get(word, ()):
                return True
        if what in OVERWRITES.get(cycle.action, ()):
            return False
    return what in ("PCL", "PCH", "P") and cycles[-1].end != "stay"


def cannot_matter(mode, slot, field, word, users):
    """Alterations that no pin can ever show, each with its reason."""
    cycles = MODES[mode]
    cycle = cycles[slot]
    if mode == "held in reset":
        # Whatever this entry does, RES holds the CPU in it, in a read at an address that is not
        # defined; afterwards all registers count as unknown and the vector gives a new PC.
        return field != "address"
    if field == "poll":
        # `poll` adds nothing where the instruction always ends, `deaf` where it never does; a jam
        # reaches no opcode fetch that could obey an interrupt.
        return (
            (cycle.end == "end" and {word, cycle.poll} == {"", "poll"})
            or (cycle.end in ("", "stay") and {word, cycle.poll} == {"", "deaf"})
            or mode == "jam"
        )
    if {word, cycle.end} == {"", "end:untaken"}:
        # A branch that looks at no flag is always taken, and goes on as without the word.
        return not any(meaning_of(user) & 0xCF for user in users if isinstance(user, int))
    if field == "access":
        # A mnemonic that stores no register stores the first of the state, the low byte of PC.
        return {word, cycle.access} == {"W:store", "W:pcl"}
    if mode == "implied" and field == "action":
        # These mnemonics look at registers, not at the byte read or latched.
        return word == "modify"
    if mode == "pull" and slot < 2 and word in ("operate", "operate/carry", "modify"):
        # The register it would load is loaded again at the end.
        return True
    effects = dict(EFFECTS)
    opcodes = [user for user in users if isinstance(user, int)]
    if not any(changes_registers(opcode) for opcode in opcodes):
        effects |= SILENT_EFFECTS
        if {word, cycle.action} == {"carry", "operate/carry"}:
            return True
        sources = {meaning_of(opcode) >> FIELDS["from"][0] & 7 for opcode in opcodes}
        if sources <= {0, 1}:  # nothing, or A: it would put A into A
            effects["accumulate"] = ()
        if sources == {0}:  # it would put the latch into the latch
            effects["modify"] = ()
    if field in ("action", "count"):
        # What is changed but not looked at again shows nowhere.
        return all(
            known in effects
            and not any(is_read_later(what, cycles, slot) for what in effects[known])
            for known in (word, getattr(cycle, field))
        )
    return False


def meaning_of(opcode):
    return packed_meanings()[OPERATIONS.index(OPCODES[opcode].operation)]


def changes_registers(opcode):
    meaning = meaning_of(opcode)
    writes = meaning >> TO_SHIFT & 15
    branches = meaning >> FIELDS["branch"][0] & 3
    return bool(writes or (meaning & 0xCF and not branches))


@pytest.mark.slow
def test_every_alteration_of_a_microcycle_is_noticed(scenarios):
    every = list(microcycle_alterations())
    tried = [row for row in every if not cannot_matter(*row[0], row[3])]
    assert len(tried) > 0.8 * len(every)
    entries = {name[:2] for name, *_ in every} - {("held in reset", 0)}
    assert {name[:2] for name, *_ in tried} >= entries, "every entry is tried"
    left = survivors_of(tried, scenarios)
    assert not left


def users_of(mnemonic):
    return [o.opcode for o in OPCODES if o.operation == mnemonic]


def meaning_alterations():
    """Each word of each mnemonic's line, taken away or changed to every other of its kind."""
    for number, (mnemonic, meaning) in enumerate(zip(OPERATIONS, packed_meanings(), strict=True)):
        if mnemonic not in MNEMONICS:
            continue
        place = MEANINGS_AT + number
        for shift, words in FIELDS.values():
            mask = (1 << (len(words) - 1).bit_length()) - 1
            now = words[meaning >> shift & mask]
            # `clears` and `if-clear` are what no word means, spelled out for the reader.
            same = {now, ""} if now in ("clears", "if-clear") else {now}
            for value, word in enumerate(words):
                if now and word not in same:
                    altered_meaning = meaning & ~(mask << shift) | value << shift
                    yield (mnemonic, now, word), place, altered_meaning, users_of(mnemonic)
        for bit in (*FLAG_BITS.values(), *(1 << TO_SHIFT + register for register in range(4))):
            if meaning & bit:
                yield (mnemonic, f"{bit:x}", ""), place, meaning ^ bit, users_of(mnemonic)


@pytest.mark.slow
def test_every_alteration_of_a_meaning_is_noticed(scenarios):
    alterations = list(meaning_alterations())
    assert len(alterations) > 250
    assert survivors_of(alterations, scenarios) == []


def opcode_alterations():
    """Each opcode given every other mode, and the next mnemonic that its mode can tell from it."""
    row = packed_table()[0]
    meanings = packed_meanings()
    for opcode in OPCODES:
        place = OPCODES_AT + opcode.opcode
        mode, operation = int(row[place]) & 0xFF, int(row[place]) >> 8
        register_only = opcode.microcycles == "implied"
        for other, name in enumerate(MODES):
            # On registers alone, `accumulate` differs from `operate` only in what it puts into A.
            if other > 1 and other != mode and not (register_only and name == "accumulator"):
                yield (opcode.opcode, name), place, other | operation << 8, [opcode.opcode]
        asked = {word for c in MODES[opcode.microcycles] for word in (c.access, c.action, c.end)}
        if asked & {"operate", "operate/carry", "accumulate", "modify", "end:untaken"}:
            told_apart = 0xCF | 15 << TO_SHIFT | 3 << FIELDS["branch"][0]
        elif "W:store" in asked or "carry&high" in asked:
            told_apart = 7 << FIELDS["from"][0]
        else:
            continue
        following = ((operation + step) % len(OPERATIONS) for step in range(1, len(OPERATIONS)))
        mine = meanings[operation] & told_apart
        other = next(o for o in following if meanings[o] & told_apart != mine)
        yield (opcode.opcode, OPERATIONS[other]), place, mode | other << 8, [opcode.opcode]


@pytest.mark.slow
def test_every_alteration_of_an_opcode_is_noticed(scenarios):
    assert survivors_of(opcode_alterations(), scenarios) == []


def test_altering_the_address_mask_is_noticed(scenarios):
    for bit in range(16):
        row = altered(ADDRESS_MASK_AT, 0xFFFF ^ 1 << bit)
        assert noticed(row, scenarios, [0xAD, 0xEA])
