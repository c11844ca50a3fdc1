"""Loops that only wait: they look at one place until it changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.program.loops import Loop, find_loops, main_rows
from bustrace.program.model import Program

LONGEST_LOOP = 8
"""Instructions of a loop that does nothing but look at one place."""

FEWEST_TURNS = 32
"""Turns that make a wait."""

_WAITING = frozenset(
    {
        "LDA", "LDX", "LDY", "BIT", "AND", "EOR", "ORA", "CMP", "CPX", "CPY", "ASL", "LSR", "ROL",
        "ROR", "TAX", "TAY", "TXA", "TYA", "CLC", "SEC", "CLV", "NOP", "JMP", "BPL", "BMI", "BVC",
        "BVS", "BCC", "BCS", "BNE", "BEQ",
    }
)  # fmt: skip
"""Instructions that change nothing but flags and registers, and count nothing."""

_LOOKING = ("abs", "zp", "abs,x", "abs,y", "zp,x", "(zp),y")

_FLAG_OF_BRANCH = {
    "BPL": "N", "BMI": "N", "BVC": "V", "BVS": "V", "BCC": "C", "BCS": "C", "BNE": "Z", "BEQ": "Z",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wait:
    """A loop that only looks at one place and decides by it.

    Attributes
    ----------
    first_cycle : int
        Where its turns begin.
    turns : int
    address : int
        The place it looks at.
    cycles : int64, shape (m,)
        Reads of that place, in the capture's order.
    bits : int
        Bits of the byte that decide whether the loop ends.
    pc : int
        Lowest address of the loop's instructions.
    """

    first_cycle: int
    turns: int
    address: int
    cycles: npt.NDArray[np.int64]
    bits: int
    pc: int


def bit_words(mask: int) -> str:
    """``bit 7``, ``bits 7, 6``: the bits that decide."""
    bits = [str(bit) for bit in range(7, -1, -1) if mask >> bit & 1]
    return f"bit {bits[0]}" if len(bits) == 1 else f"bits {', '.join(bits)}"


@dataclass(frozen=True, slots=True)
class Poll:
    """A place that the main program looks at until its bits change, however often it comes back.

    Attributes
    ----------
    address, bits : int
        As in `Wait`.
    pc : int
        Address of the instruction that looks.
    looks : int
        How often it was executed.
    first, last : int
        Cycles of the first and the last look.
    """

    address: int
    bits: int
    pc: int
    looks: int
    first: int
    last: int


def polls_of(program: Program, reads: npt.NDArray[np.uint8], variant: str) -> tuple[Poll, ...]:
    """Places that loops of the main program wait for, in the order of their first look.

    Parameters
    ----------
    program, reads, variant
        As in `final_wait`.
    """
    rows = main_rows(program)
    found: dict[tuple[int, int], Poll] = {}
    judged: set[tuple[int, ...]] = set()
    for loop in _innermost(find_loops(program, rows)):
        looped, turn = rows[loop.first : loop.end], loop.turn_end - loop.first
        body = tuple(program.pc[looped[:turn]].tolist())
        if turn > LONGEST_LOOP or body in judged:
            continue
        judged.add(body)
        wait = wait_in(program, reads, variant, looped, turn, loop.turns)
        if wait is None:
            continue
        pc = int(program.pc[program.row_of(int(wait.cycles[0]))])
        if (pc, wait.address) not in found:
            looks = program.first_cycle[rows[program.pc[rows] == pc]]
            found[pc, wait.address] = Poll(
                wait.address, wait.bits, pc, len(looks), int(looks[0]), int(looks[-1])
            )
    return tuple(sorted(found.values(), key=lambda poll: poll.first))


def _innermost(loops: Sequence[Loop]) -> Iterator[Loop]:
    for loop in loops:
        if loop.inner:
            yield from _innermost(loop.inner)
        else:
            yield loop


def final_wait(program: Program, reads: npt.NDArray[np.uint8], variant: str, n: int) -> Wait | None:
    """The wait in which the capture ends; None where it ends otherwise.

    Parameters
    ----------
    program : Program
    reads : uint8, shape (n_cycles,)
        Data of every cycle as the CPU saw it.
    variant : str
        CPU part.
    n : int
        Cycles that count.
    """
    if program.lost_at is not None or program.jam_at is not None:
        return None
    rows = main_rows(program)
    rows = rows[(program.first_cycle[rows] + program.length[rows]) < n]
    pcs = program.pc[rows]
    if len(pcs) < 2 * FEWEST_TURNS or (pcs[-FEWEST_TURNS:] < 0).any():
        return None
    turn = next((k for k in range(1, LONGEST_LOOP + 1) if pcs[-1] == pcs[-1 - k]), None)
    if turn is None:
        return None
    same = np.append(pcs[turn:] == pcs[:-turn], True)[: len(pcs) - turn]
    breaks = np.flatnonzero(~same)
    start = int(breaks[-1]) + 1 if len(breaks) else 0
    turns = (len(pcs) - start) // turn
    if turns < FEWEST_TURNS:
        return None
    return wait_in(program, reads, variant, rows[start:], turn, turns)


def wait_in(
    program: Program,
    reads: npt.NDArray[np.uint8],
    variant: str,
    looped: npt.NDArray[np.int64],
    turn: int,
    turns: int,
) -> Wait | None:
    """A loop as a wait, when its instructions look at one place only; None for others.

    Parameters
    ----------
    program, reads, variant
        As in `final_wait`.
    looped : int64, shape (k,)
        Rows of the loop.
    turn : int
        Instructions of one turn.
    turns : int
    """
    intent = program.intent
    pins = variant_named(variant).address_mask
    body = looped[-turn:]
    opcodes = variant_named(variant).opcodes()
    names = {op.opcode: (op.mnemonic, op.mode) for op in opcodes}
    body = body[np.argsort(program.pc[body], kind="stable")]
    code = [names.get(int(program.opcode[row]), ("?", "?")) for row in body]
    if any(name not in _WAITING for name, _ in code):
        return None
    looks = [row for row, (_, mode) in zip(body, code, strict=True) if mode in _LOOKING]
    if len(looks) != 1:
        return None
    mine = looped[program.pc[looped] == program.pc[looks[0]]]
    # Waits and stolen cycles make some looks longer than others.
    cycles = program.first_cycle[mine] + program.length[mine] - 1
    address = intent.address[cycles]
    if (intent.address_known[cycles] & pins != pins).any() or len(np.unique(address)) != 1:
        return None
    bits = _deciding_bits(program, reads, body, code)
    if not bits:
        return None
    return Wait(
        int(program.first_cycle[looped[0]]), turns, int(address[0]), cycles, bits,
        int(program.pc[body].min()),
    )  # fmt: skip


def _deciding_bits(
    program: Program,
    reads: npt.NDArray[np.uint8],
    body: npt.NDArray[np.int64],
    code: list[tuple[str, str]],
) -> int:
    """Bits of the byte looked at that the loop's branches depend on, in program order."""
    nothing: list[set[int]] = [set() for _ in range(8)]
    accumulator = nothing
    other: dict[str, list[set[int]]] = {"X": nothing, "Y": nothing}
    flags: dict[str, set[int]] = {"N": set(), "V": set(), "Z": set(), "C": set()}
    decides: set[int] = set()
    for row, (name, mode) in zip(body, code, strict=True):
        if name in _FLAG_OF_BRANCH:
            decides |= flags[_FLAG_OF_BRANCH[name]]
            continue
        operand = int(reads[program.first_cycle[row] + 1])
        value = nothing if mode == "imm" else [{bit} for bit in range(8)]
        if name == "BIT":
            held = int(program.registers[row, 0]) & int(program.registers_known[row, 0])
            flags |= {"N": {7}, "V": {6}, "Z": {bit for bit in range(8) if held >> bit & 1}}
        elif name in ("LDA", "LDX", "LDY"):
            if name == "LDA":
                accumulator = value
            else:
                other[name[-1]] = value
            flags |= {"N": value[7], "Z": set().union(*value)}
        elif name in ("AND", "ORA", "EOR"):
            if mode != "imm":
                return 0  # two values joined: which bit decides hangs on both
            keeps = {"AND": operand, "ORA": ~operand, "EOR": 0xFF}[name]
            accumulator = [s if keeps >> bit & 1 else set() for bit, s in enumerate(accumulator)]
            flags |= {"N": accumulator[7], "Z": set().union(*accumulator)}
        elif name in ("CMP", "CPX", "CPY"):
            held_bits = accumulator if name == "CMP" else other[name[-1]]
            seen = set().union(*held_bits, *value)
            flags |= {"N": seen, "Z": seen, "C": seen}
        elif name in ("LSR", "ROR", "ASL", "ROL") and mode == "acc":
            right = name in ("LSR", "ROR")
            new = flags["C"] if name in ("ROR", "ROL") else set()
            out = accumulator[0] if right else accumulator[7]
            accumulator = [*accumulator[1:], new] if right else [new, *accumulator[:7]]
            flags |= {"C": out, "N": accumulator[7], "Z": set().union(*accumulator)}
        elif name in ("TAX", "TAY"):
            other[name[-1]] = accumulator
            flags |= {"N": accumulator[7], "Z": set().union(*accumulator)}
        elif name in ("TXA", "TYA"):
            accumulator = other[name[1]]
            flags |= {"N": accumulator[7], "Z": set().union(*accumulator)}
        elif name in ("CLC", "SEC"):
            flags["C"] = set()
        elif name == "CLV":
            flags["V"] = set()
        elif name not in ("NOP", "JMP"):
            return 0  # a shift of memory itself
    return sum(1 << bit for bit in decides)
