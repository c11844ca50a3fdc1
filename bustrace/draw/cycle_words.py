"""What each cycle of an instruction does, and why, in words.

The cycles come from the microcycle table; only its vocabulary is put into words here, so that a
part that overrides the table is told rightly too.
"""

from __future__ import annotations

from typing import Final

from bustrace.cpu import Opcode
from bustrace.cpu.microcycles import Microcycle

_ADDRESS_FETCH: Final = {
    "zp": "Address, one byte",
    "zp,x": "Base address, one byte",
    "zp,y": "Base address, one byte",
}
_INDEX: Final = {"low+x": "X", "high+x": "X", "low+y": "Y", "high+y": "Y", "pointer+x": "X"}

_AT_PC: Final = {
    "accumulate": (
        "Idle read",
        "No operand to fetch, but the bus cannot stand still: the next byte is read and dropped "
        "while A is changed inside.",
    ),
    "high": ("Address, high byte", "Low and high byte now make the whole address. PC moves on."),
    "pointer": (
        "Pointer's place",
        "One byte: the place in page zero where the real address is kept.",
    ),
    "target": (
        "Idle read; branch taken",
        "The next opcode is read and dropped, while the distance is added to the low byte of PC.",
    ),
    "target/carry": (
        "Idle read; page crossed",
        "The sum carried: this address is in the wrong page. The high byte is put right.",
    ),
}
_AT_ADDRESS: Final = {
    "operate/carry": (
        "Read at the address",
        "If the index carried out of the low byte, this address is one page too low: the byte is "
        "dropped and read again. If not, the instruction is done.",
    ),
    "carry": (
        "Idle read",
        "The carry into the high byte is not added yet, and a store must never hit a wrong "
        "address: so the CPU reads once before it writes.",
    ),
    "carry&high": (
        "Idle read",
        "The carry into the high byte is not added yet; the read is dropped.",
    ),
    "latch/carry": (
        "Read the old byte",
        "If the index carried out of the low byte, the last byte of the instruction is read here "
        "instead and dropped. If not, this is the byte to be changed.",
    ),
    "low": ("Address, low byte", "Fetched through the pointer."),
    "high": ("Address, high byte", "From the next byte; the address is whole now."),
}
_STACK_READS: Final = {
    "operate": ("Pull the byte", "It goes into the register."),
    "flags": ("Pull P", "The flags as they were before the interrupt."),
    "latch": ("Pull PC, low byte", "S counts up again for the high byte."),
    "jump": ("Pull PC, high byte", "PC is whole again."),
}
_WRITES: Final = {
    "W:pch": ("Push PC, high byte", "The stack grows downward: S counts down after the write."),
    "W:pcl": ("Push PC, low byte", "The return address now lies low byte first, as everywhere."),
    "W:p": ("Push P", "The flags, with B set: a BRK, not an interrupt from outside."),
}


def cycle_words(
    opcode: Opcode,
    table: tuple[Microcycle, ...],
    place: int,
    *,
    sync: bool = True,
    address_mask: int = 0xFFFF,
) -> tuple[str, str]:
    """Name of a cycle and the reason for it.

    Parameters
    ----------
    opcode : Opcode
    table : tuple of Microcycle
        The instruction's cycles after the opcode's fetch, from `Variant.modes`.
    place : int
        0 is the opcode's fetch, 1 the first of `table`.
    sync : bool
        Whether the CPU has a SYNC pin to speak of.
    address_mask : int
        Address lines that it has pins for: its vectors are told as its pins show them.
    """
    if place == 0:
        return (
            "Fetch the opcode",
            f"{'SYNC is high in this cycle alone. ' if sync else ''}${opcode.opcode:02X} is "
            f"{opcode.mnemonic}: now the CPU knows what the next cycles are. PC moves on.",
        )
    cycle = table[min(place, len(table)) - 1]
    if cycle.access == "R":
        return _read_words(opcode, cycle, table, place, address_mask)
    if cycle.access in _WRITES:
        name, text = _WRITES[cycle.access]
        if cycle.access == "W:pcl" and opcode.mode == "call":
            text = "It points at JSR's own last byte, not behind it: RTS will add one."
        return name, text
    if cycle.access == "W:store":
        if cycle.address == "sp":
            return ("Push the byte", "Written where S points; S then counts down.")
        return ("Write", f"The value of {opcode.mnemonic} goes to the address. R/W is low.")
    if cycle.action == "modify":
        return (
            "Write the old byte back",
            "While the new value is worked out, the old one is written unchanged: the NMOS part "
            "cannot leave the bus idle here.",
        )
    return ("Write the new byte", "The result of the change.")


def _read_words(
    opcode: Opcode, cycle: Microcycle, table: tuple[Microcycle, ...], place: int, pins: int
) -> tuple[str, str]:
    action = cycle.action
    if place > 1 and cycle.end == "end" and table[place - 2].end == "end:binary":
        return ("Idle read", "Decimal mode costs one cycle more; what is read is dropped.")
    if cycle.address == "pc":
        return _pc_words(opcode, cycle, table, place)
    if cycle.address == "any":
        return ("Idle read", "Dropped; the maker's sheet does not say at which address.")
    if cycle.address == "last":
        return (
            "Idle read",
            "The last byte of the instruction is read again and dropped: a CMOS part keeps away "
            "from addresses that are not whole yet.",
        )
    if cycle.address == "ad/last" and action == "operate/carry":
        return (
            "Read at the address",
            "If the index carried out of the low byte, the last byte of the instruction is read "
            "here instead and dropped. If not, the instruction is done.",
        )
    if cycle.address == "sp":
        if action in _STACK_READS:
            return _STACK_READS[action]
        if cycle.count == "s+":
            return ("Idle read of the stack", "Dropped, while S counts up to the last byte pushed.")
        return ("Idle read of the stack", "Dropped, while the CPU makes ready to push PC.")
    if cycle.address == "vec":
        return ("Vector, low byte", f"Read from ${0xFFFE & pins:04X}; the address of the handler.")
    if cycle.address == "vec.next":
        text = f"Read from ${0xFFFF & pins:04X}; PC is the handler's address now."
        return ("Vector, high byte", text)
    if cycle.address == "fffe" or cycle.address == "ffff":
        return ("Jammed", "This opcode stops the CPU for good: only reset helps.")
    if action in ("high+x", "high+y"):
        return (
            "Address, high byte",
            f"From the next byte of page zero; {_INDEX[action]} is added to the low one meanwhile.",
        )
    if action in _INDEX:
        return (
            "Idle read",
            f"At the address without the index; dropped, while {_INDEX[action]} is added.",
        )
    if action in _AT_ADDRESS:
        return _AT_ADDRESS[action]
    if action == "operate":
        return ("Read the operand", f"The byte {opcode.mnemonic} works on.")
    if opcode.mode == "zp,rel":
        if action == "pointer":
            return ("Read the byte", "One bit of it decides whether the branch is taken.")
        return ("Idle read", "The byte is read once more and dropped, while its bit is looked at.")
    if action == "jump":
        return ("Target, high byte", "PC is the target now.")
    if action == "latch":
        if opcode.access in ("modify", "shift"):
            return ("Read the old byte", "It is kept inside, to be changed.")
        return ("Target, low byte", "Read through the pointer.")
    if action == "modify":
        return ("Idle read", "The byte is read once more, while the new value is worked out.")
    return ("Idle read", "Dropped; the CPU is busy inside.")


def _pc_words(
    opcode: Opcode, cycle: Microcycle, table: tuple[Microcycle, ...], place: int
) -> tuple[str, str]:
    action = cycle.action
    if cycle.end == "end:woken":
        return ("Wait for an interrupt", "The same read, again and again, until IRQ or NMI comes.")
    if cycle.end == "stay":
        return ("Stopped", "This opcode stops the CPU until a reset.")
    if action in _AT_PC:
        return _AT_PC[action]
    if action in ("high+x", "high+y"):
        return (
            "Address, high byte",
            f"{_INDEX[action]} is added to the low byte meanwhile. PC moves on.",
        )
    if action == "low":
        name = _ADDRESS_FETCH.get(opcode.mode, "Address, low byte")
        text = "In page zero: the high byte is $00." if opcode.mode in _ADDRESS_FETCH else ""
        return (name, f"The byte after the opcode. {text or 'Low byte comes first.'} PC moves on.")
    if action == "operate":
        if cycle.count == "pc+":
            return ("Fetch the operand", "The byte after the opcode is the operand itself.")
        return (
            "Idle read",
            "No operand to fetch, but the bus cannot stand still: the next byte is read and "
            "dropped while the work is done inside.",
        )
    if action == "latch":
        if opcode.mode in ("rel", "zp,rel"):
            return (
                "Distance of the branch",
                "Signed, counted from the next instruction. If not taken, this was all.",
            )
        return ("Target, low byte", "Kept inside until the high byte is there.")
    if action == "jump":
        return ("Target, high byte", "PC is the target now.")
    if cycle.count == "pc+":
        if opcode.mode == "break":
            return ("The byte after BRK", "Read and dropped, but PC moves past it.")
        if opcode.mode.startswith("idle"):
            return ("Idle read", "A byte of the instruction, read and dropped. PC moves on.")
        return (
            "Idle read",
            "At the address pulled, the last byte of the call; PC moves on to the next.",
        )
    return ("Idle read", "The next byte is read and dropped, while the CPU decodes the opcode.")
