"""The microcycle table of the NMOS 6502: what the bus does in each cycle of each instruction.

Other parts are lines that differ (`bustrace.cpu.cmos`), in the same words.

One line per addressing mode and kind of access, one entry per cycle after the opcode fetch::

    NAME : ADDRESS ACCESS [WORD ...] | ADDRESS ACCESS [WORD ...] | ...

ADDRESS is what the address pins show:

    pc      program counter
    ad      effective address, AH:AL
    ad.next AH:(AL+1), without a carry into the high byte
    ptr     zero page, 00:PTR; `ptr.next` is 00:(PTR+1)
    sp      stack, 01:S
    vec     low byte of the vector; `vec.next` the high byte
    fffe ffff   these addresses, for an opcode that jams the CPU
    last    the byte before the program counter: the last one of the instruction read so far
    ad/last `ad`, or `last` if indexing carried into the high address byte
    ad+1    the address after `ad`, with a carry into the high byte
    any     no source says; nothing is compared

ACCESS is `R` for a read, or for a write what the data pins show: `W:store` (the value the mnemonic
stores), `W:latch` (the latched byte), `W:pch` `W:pcl` `W:p`. While RES is obeyed writes are reads.

WORDs, all of them at the end of the cycle:

    action      one of ACTIONS: what is done with the byte that was read
    pc+ s+ s-   count after the action; `pc+` is suppressed while an interrupt or reset runs
    end         the instruction ends here (the last entry always ends)
    end:same    it ends here unless indexing carried into the high address byte
    end:untaken it ends here unless the branch is taken
    end:binary  it ends here unless the decimal flag is set
    end:same/binary  unless indexing carried: it ends here, or the next entry is left out if the
                decimal flag is set
    skip:same   the next entry is left out unless indexing carried
    end:woken   it ends here if an interrupt waits, masked or not; else this cycle repeats
    stay        this cycle repeats for ever
    poll        interrupts are looked at in this cycle, whether or not it is the last
    deaf        interrupts are not looked at, though the instruction may end here. Without either
                word they are looked at in the cycle that ends the instruction

Sources: MCS6500 Hardware Manual 6500-10A, January 1976, appendix A, for the documented
instructions; the un-carried address of an indexed access (A.3.4 prints a carry there) and all
undocumented opcodes follow the per-cycle reference data and the recordings of a transistor-level
simulation that the tests replay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MICROCYCLES: Final = """
fetch           : pc R opcode pc+ stay
held in reset   : pc R stay

implied         : pc R operate
accumulator     : pc R accumulate
immediate       : pc R operate pc+
jam             : pc R | ffff R | fffe R | fffe R | ffff R stay

zp read         : pc R low pc+ | ad R operate
zp write        : pc R low pc+ | ad W:store
zp modify       : pc R low pc+ | ad R latch | ad W:latch modify | ad W:latch

zp,x read       : pc R low pc+ | ad R low+x | ad R operate
zp,x write      : pc R low pc+ | ad R low+x | ad W:store
zp,x modify     : pc R low pc+ | ad R low+x | ad R latch | ad W:latch modify | ad W:latch
zp,y read       : pc R low pc+ | ad R low+y | ad R operate
zp,y write      : pc R low pc+ | ad R low+y | ad W:store

abs read        : pc R low pc+ | pc R high pc+ | ad R operate
abs write       : pc R low pc+ | pc R high pc+ | ad W:store
abs modify      : pc R low pc+ | pc R high pc+ | ad R latch | ad W:latch modify | ad W:latch

abs,x read      : pc R low pc+ | pc R high+x pc+ | ad R operate/carry end:same | ad R operate
abs,x write     : pc R low pc+ | pc R high+x pc+ | ad R carry | ad W:store
abs,x modify    : pc R low pc+ | pc R high+x pc+ | ad R carry | ad R latch | ad W:latch modify | ad W:latch
abs,x and       : pc R low pc+ | pc R high+x pc+ | ad R carry&high | ad W:latch
abs,y read      : pc R low pc+ | pc R high+y pc+ | ad R operate/carry end:same | ad R operate
abs,y write     : pc R low pc+ | pc R high+y pc+ | ad R carry | ad W:store
abs,y modify    : pc R low pc+ | pc R high+y pc+ | ad R carry | ad R latch | ad W:latch modify | ad W:latch
abs,y and       : pc R low pc+ | pc R high+y pc+ | ad R carry&high | ad W:latch

(zp,x) read     : pc R pointer pc+ | ptr R pointer+x | ptr R low | ptr.next R high | ad R operate
(zp,x) write    : pc R pointer pc+ | ptr R pointer+x | ptr R low | ptr.next R high | ad W:store
(zp,x) modify   : pc R pointer pc+ | ptr R pointer+x | ptr R low | ptr.next R high | ad R latch | ad W:latch modify | ad W:latch

(zp),y read     : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad R operate/carry end:same | ad R operate
(zp),y write    : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad R carry | ad W:store
(zp),y modify   : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad R carry | ad R latch | ad W:latch modify | ad W:latch
(zp),y and      : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad R carry&high | ad W:latch

branch          : pc R latch pc+ end:untaken poll | pc R target end:same deaf | pc R target/carry

jump            : pc R latch pc+ | pc R jump
jump indirect   : pc R low pc+ | pc R high pc+ | ad R latch | ad.next R jump
call            : pc R latch pc+ | sp R | sp W:pch s- | sp W:pcl s- | pc R jump
return          : pc R | sp R s+ | sp R latch s+ | sp R jump | pc R pc+
return interrupt: pc R | sp R s+ | sp R flags s+ | sp R latch s+ | sp R jump
push            : pc R | sp W:store s-
pull            : pc R | sp R s+ | sp R operate
break           : pc R pc+ | sp W:pch s- | sp W:pcl s- | sp W:p vector s- | vec R latch | vec.next R jump deaf
"""  # noqa: E501

ADDRESSES: Final = (
    "pc",
    "ad",
    "ad.next",
    "ptr",
    "ptr.next",
    "sp",
    "vec",
    "vec.next",
    "fffe",
    "ffff",
    "last",
    "ad/last",
    "ad+1",
    "any",
)
ACCESSES: Final = ("R", "W:store", "W:latch", "W:pch", "W:pcl", "W:p")
ACTIONS: Final = (
    "",
    "opcode",
    "operate",
    "accumulate",
    "operate/carry",
    "low",
    "low+x",
    "low+y",
    "high",
    "high+x",
    "high+y",
    "carry",
    "carry&high",
    "pointer",
    "pointer+x",
    "latch",
    "modify",
    "target",
    "target/carry",
    "jump",
    "flags",
    "vector",
    "latch/carry",
)
COUNTS: Final = ("", "pc+", "s+", "s-")
ENDS: Final = (
    "",
    "end",
    "end:same",
    "end:untaken",
    "stay",
    "end:binary",
    "end:same/binary",
    "skip:same",
    "end:woken",
)
POLLS: Final = ("", "poll", "deaf")

# Bit position of each field of a packed entry.
FIELD_SHIFTS: Final = {"address": 0, "access": 4, "action": 7, "count": 12, "end": 14, "poll": 18}

MODE_SLOTS: Final = 8
"""Entries kept for each mode in the packed table."""


@dataclass(frozen=True, slots=True)
class Microcycle:
    """One cycle of a mode: words of the vocabularies above."""

    address: str
    access: str
    action: str = ""
    count: str = ""
    end: str = ""
    poll: str = ""

    def packed(self) -> int:
        """Return the entry as one integer, fields at `FIELD_SHIFTS`."""
        return (
            ADDRESSES.index(self.address) << FIELD_SHIFTS["address"]
            | ACCESSES.index(self.access) << FIELD_SHIFTS["access"]
            | ACTIONS.index(self.action) << FIELD_SHIFTS["action"]
            | COUNTS.index(self.count) << FIELD_SHIFTS["count"]
            | ENDS.index(self.end) << FIELD_SHIFTS["end"]
            | POLLS.index(self.poll) << FIELD_SHIFTS["poll"]
        )


def parse_mode(text: str) -> tuple[Microcycle, ...]:
    """Read the entries of one mode, the text after the colon.

    Raises
    ------
    ValueError
        A word outside the vocabularies, two words of one kind, or too many cycles.
    """
    cycles = []
    entries = text.split("|")
    if len(entries) > MODE_SLOTS:
        raise ValueError(f"more than {MODE_SLOTS} cycles: {text!r}")
    for place, entry in enumerate(entries):
        address, access, *words = entry.split()
        if address not in ADDRESSES or access not in ACCESSES:
            raise ValueError(f"unknown address or access in {entry!r}")
        found = {"action": "", "count": "", "end": "", "poll": ""}
        for word in words:
            kind = _kind_of(word)
            if found[kind]:
                raise ValueError(f"two {kind} words in {entry!r}")
            found[kind] = word
        if place == len(entries) - 1 and not found["end"]:
            found["end"] = "end"
        if found["action"].endswith(("+x", "+y")) and found["count"] in ("s+", "s-"):
            raise ValueError(f"one cycle adds once: {entry!r}")
        cycles.append(Microcycle(address, access, **found))
    return tuple(cycles)


def parse_table(text: str) -> dict[str, tuple[Microcycle, ...]]:
    """Read a whole table, one mode a line; a mode named twice is an error."""
    modes: dict[str, tuple[Microcycle, ...]] = {}
    for line in text.strip().splitlines():
        if not line.strip():
            continue
        name, _, entries = line.partition(":")
        name = name.strip()
        if name in modes:
            raise ValueError(f"mode {name!r} named twice")
        modes[name] = parse_mode(entries)
    return modes


def _kind_of(word: str) -> str:
    for kind, known in (("action", ACTIONS), ("count", COUNTS), ("end", ENDS), ("poll", POLLS)):
        if word in known:
            return kind
    raise ValueError(f"unknown word {word!r} in the microcycle table")
