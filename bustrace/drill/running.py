"""The loop that runs a board cycle by cycle."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.board.address_map import covered
from bustrace.board.model import READ, Board
from bustrace.cpu.executor import REGISTERS, CpuState, Executor
from bustrace.drill.chips import SOUND, Device, Memory
from bustrace.drill.cpu_faults import CpuFault
from bustrace.drill.floating import Floating, Thresholds, Undriven
from bustrace.drill.io_chips import make_io_chip
from bustrace.drill.joining import Crossing, Met, settle_crossings
from bustrace.drill.layout import Bank, Layout
from bustrace.drill.model import CPU_DRIVES, Display, PowerOn, control_lines
from bustrace.drill.planted import Chances, Planted

Columns = dict[str, npt.NDArray[Any]]

CPU_STRENGTH = 0.5
"""How hard the CPU drives, where the chips' strengths lie between 0 and 1."""


@dataclass(slots=True)
class Answer:
    """What the chips put on the data bus in a cycle.

    Attributes
    ----------
    byte : int
        Levels; lines that nobody drives are 1.
    driven : int
        Lines that somebody drives.
    marginal : int
        Those whose level lies between low and high.
    who : int
        The chips.
    strength : float
        Of the strongest.
    """

    byte: int = 0xFF
    driven: int = 0
    marginal: int = 0
    who: int = 0
    strength: float = 0.0


class Run:
    """One run: the layouts, the chips, and the loop.

    Parameters
    ----------
    board : Board
    planted : dict of int to Planted
        By mask of acting faults.
    acting : int64, shape (n,)
        The mask of each cycle.
    seed : int
    undriven : str
    display : Display or None
    io_hold : int or None
        Cycles for which what comes in at ports stays as it is; None: as their kinds like.
    power_on : PowerOn
    """

    def __init__(
        self,
        board: Board,
        planted: dict[int, Planted],
        acting: npt.NDArray[np.int64],
        *,
        seed: int,
        chances: Chances,
        undriven: Undriven,
        display: Display | None,
        io_hold: int | None,
        power_on: PowerOn,
    ) -> None:
        self.board = board
        self.acting = acting
        self.layouts = {mask: Layout(board, faults) for mask, faults in planted.items()}
        self.display = display
        rng = np.random.default_rng((seed, 0))
        self.devices = [_device(board, bit, rng, io_hold) for bit in range(len(board.map.chips))]
        for ref, held in power_on.items():
            device = self.devices[board.map.index(ref)]
            if isinstance(device, Memory):
                device.hold(held)
        registers = {name: int(rng.integers(256)) for name in ("a", "x", "y", "s", "p")}
        self.executor = Executor.from_state(
            CpuState.at_reset(
                board.cpu.variant, known=REGISTERS, pc=int(rng.integers(0x10000)), **registers
            )
        )
        self.last = int(rng.integers(256))
        # Drawn last, and only where there are any, so that boards without banks run as ever.
        self.state = int(rng.integers(len(board.maps))) if board.state_bits else 0
        self.floating = Floating(undriven, chances.stream("floating"))
        self.thresholds = Thresholds(chances.stream("thresholds"))
        self.strengths = chances.stream("strengths").random(len(self.devices)).tolist()
        self.late = chances.stream("late")
        kinds = {faults.cpu for faults in planted.values()} - {""}
        self.cpu_fault = (
            CpuFault(board.cpu.variant, kinds.pop(), chances.stream("cpu")) if kinds else None
        )
        self.idle = 0
        self.latches = _latches(board)

    # ---- what acts

    def _switch(self, mask: int) -> None:
        """From this cycle on these faults act, and no others."""
        layout = self.layout = self.layouts[mask]
        planted = layout.planted
        for bit, device in enumerate(self.devices):
            inside = planted.inside.get(bit)
            device.suffer(inside.done() if inside else SOUND)
        self.placed = [self.devices[planted.device_of[bit]] for bit in layout.bits]
        sources, refs = self.board.irq_from, self.board.map.chips
        if "IRQ" not in control_lines(self.board):
            self.asking: list[Device] = []
        else:
            self.asking = [
                device
                for bit, device in enumerate(self.placed)
                if not sources or refs[bit] in sources
            ]
        self.crossings = [Crossing.of(join) for join in layout.across]

    # ---- one cycle

    def answer(self, address: int, role: list[int], inner: list[Sequence[int]], k: int) -> Answer:
        """What the driving chips make of the data bus."""
        layout, answer = self.layout, Answer()
        if len(role) == 1 and not layout.unsteady >> role[0] & 1:
            bit = role[0]  # nearly always: one driver, and a good one
            device = self.placed[bit]
            mask = layout.masks[bit]
            mine = layout.out_of[bit][device.read(inner[bit][address] % device.size, k)]
            answer.byte, answer.driven = mine | ~mask, mask
            answer.who, answer.strength = 1 << bit, self.strengths[bit]
            return answer
        given = []
        for bit in role:
            device = self.placed[bit]
            mine = layout.out_of[bit][device.read(inner[bit][address] % device.size, k)]
            mask = layout.masks[bit]
            if layout.planted.late >> bit & 1:
                mask &= int(self.late.integers(256)) & int(self.late.integers(256))
            answer.marginal |= layout.planted.weak.get(bit, 0) & mine
            answer.byte &= mine | ~mask
            answer.driven |= mask
            answer.who |= 1 << bit
            given.append((self.strengths[bit], mine, mask))
        if given:
            answer.strength = max(given)[0]
            if len(given) > 1 and layout.planted.fights != "low":
                self._fight(answer, given)
        return answer

    def _fight(self, answer: Answer, given: list[tuple[float, int, int]]) -> None:
        """Several drivers on a line, where it is not simply the low level that wins."""
        how = self.layout.planted.fights
        high = 0
        for _, mine, mask in given:
            high |= mine & mask
        if how == "high":
            answer.byte = answer.byte & ~answer.driven | high
        elif how == "marginal":
            answer.marginal |= high & ~answer.byte & 0xFF
        else:
            for _, mine, mask in sorted(given):
                answer.byte = answer.byte & ~mask | mine & mask

    def _contest(self, given: int, answer: Answer) -> tuple[int, int]:
        """What the CPU's byte becomes against chips that drive too, and its marginal lines."""
        byte, driven, how = answer.byte, answer.driven, self.layout.planted.fights
        if how == "high":
            return given | byte & driven, 0
        if how == "stronger":
            if answer.strength > CPU_STRENGTH:
                return given & ~driven | byte & driven, 0
            return given, 0
        if how == "marginal":
            return given, (given ^ byte) & driven
        return given & (byte | ~driven) & 0xFF, 0

    def _floats(self, answer: Answer) -> tuple[int, int]:
        """The byte that the CPU takes, and the one that the clip sees, of a read."""
        self.idle = 0 if answer.driven == 0xFF else self.idle + 1
        byte, driven = answer.byte, answer.driven
        if driven == 0xFF and not answer.marginal and not self.floating.noisy:
            return byte, byte
        taken, seen = self.floating.levels(self.last, self.idle)
        cpu, clip = (byte & driven | floats & ~driven for floats in (taken, seen))
        if answer.marginal:
            levels = self.thresholds.levels(byte, answer.marginal)
            differ = answer.marginal & driven
            cpu, clip = cpu & ~differ | levels[0] & differ, clip & ~differ | levels[1] & differ
        return cpu, clip

    def transfer(self, cpu_rw: int, answer: Answer) -> tuple[int, int, int, int]:
        """Byte at the CPU's pins as it takes it, at the clip, behind, and what the CPU gave."""
        layout = self.layout
        if cpu_rw:
            far, far_clip = self._floats(answer)
            near = layout.read_near[layout.read_far[far]]
            clip = near if far == far_clip else layout.read_near[layout.read_far[far_clip]]
            return near, clip, layout.read_far[far], near
        self.idle = 0
        given = self.executor.data_out
        near, marginal = self._contest(layout.write_near[given], answer)
        answer.who |= CPU_DRIVES
        clip = near
        if marginal:
            near, clip = self.thresholds.levels(near, marginal)
        return near, clip, layout.write_far[near], given

    def go(self, res: npt.NDArray[np.uint8]) -> Columns:
        """Run one cycle for each level of RES; return the record's columns."""
        rows: list[tuple[int, ...]] = []
        early = np.zeros((len(res), 2), np.uint8)
        acting, mask = self.acting.tolist(), -1
        display, fetched = self.display, 0
        executor, fault = self.executor, self.cpu_fault
        for k, res_level in enumerate(res.tolist()):
            if acting[k] != mask:
                mask = acting[k]
                self._switch(mask)
                layout, planted = self.layout, self.layout.planted
                held = planted.held
                nmi, so, rdy = held.get("NMI", 1), held.get("SO", 1), held.get("RDY", 1)
            address, cpu_rw = executor.address, executor.rw
            pins = address, cpu_rw
            stolen = display is not None and display.takes(k)
            if stolen and display is not None:
                address, cpu_rw = display.address(fetched), READ
                fetched += 1
            if not res_level:
                for device in self.placed:
                    device.reset()
                self.state = self._reset_state()
            shown = self.state & planted.state_and | planted.state_or
            bank = layout.bank(shown)
            irq = held.get("IRQ")
            if irq is None:
                irq = 1
                for chip in self.asking:
                    if chip.requests(k):
                        irq = 0
                        break
            ready = 0 if stolen else rdy
            met = self._meet(address, cpu_rw, bank, k, (irq, nmi, ready))
            address, rw, (irq, asked, ready) = met.address, met.rw, met.control
            answer, (near, clip, far, given) = met.answer, met.data
            takes = layout.roles(rw, bank.answering[rw][address])[1]
            for bit in takes:
                device = self.placed[bit]
                device.write(bank.inner[bit][address] % device.size, layout.into[bit][far], k)
            if self.latches and res_level:
                self.state = self._state_after(address, rw, far, takes)
            self.last = far
            row = (address, rw, executor.sync, irq, asked, ready, not stolen)
            rows.append((*pins, shown, *row, given, clip, far, answer.who))
            if planted.always or self.floating.pulled:
                early[k] = self._early(address, bank.inner, k)
            broken = fault is not None and bool(planted.cpu)
            if broken and fault is not None:
                near = fault.taken(executor, near)
            executor.clock(near, res=res_level, irq=irq, nmi=asked, rdy=ready, so=so)
            if broken and fault is not None:
                executor = self.executor = fault.after(executor)
        return self._columns(_Kept.of(rows, early), res)

    def _meet(
        self, address: int, cpu_rw: int, bank: Bank, k: int, control: tuple[int, int, int]
    ) -> Met:
        """Everything on the bus, settled."""
        if self.crossings:
            return settle_crossings(self, address, cpu_rw, bank, k, control)
        drives = self.layout.roles(cpu_rw, bank.answering[cpu_rw][address])[0]
        answer = self.answer(address, drives, bank.inner, k)
        return Met(address, cpu_rw, control, answer, self.transfer(cpu_rw, answer))

    def _early(self, address: int, inner: list[Sequence[int]], k: int) -> tuple[int, int]:
        """Data lines while phase 2 is low: what drives them, although no read is on."""
        layout, pulled = self.layout, self.floating.pulled
        always = layout.planted.always & layout.readable & ~layout.planted.silent
        role = [bit for bit in layout.bits if always >> bit & 1]
        answer = self.answer(address, role, inner, k) if role else Answer()
        byte = answer.byte & answer.driven | pulled & ~answer.driven
        return layout.read_near[byte], answer.driven | pulled

    # ---- banks

    def _state_after(self, address: int, rw: int, byte: int, takes: list[int]) -> int:
        """State bits after a cycle: `byte` as the latch meets it, `takes` the chips that take it.

        A latch that is a chip of the map hears only what its select lets through.
        """
        state = self.state
        seen = int(self.layout.decoder[address])
        for index, (bit, latch, sets, clears) in enumerate(self.latches):
            level: int | None = None
            if bit.source in self.layout.planted.deaf:
                continue
            if bit.write_ranges:
                hears = latch in takes if latch is not None else not rw and bool(sets[seen])
                level = byte >> bit.data_bit & 1 if hears else None
            elif bit.accesses == "any" or (bit.accesses == "read") == bool(rw):
                level = 1 if sets[seen] else 0 if clears[seen] else None
            if level is not None:
                state = state & ~(1 << index) | level << index
        return state

    def _reset_state(self) -> int:
        """State bits while RES is low."""
        state = self.state
        for index, bit in enumerate(self.board.state_bits):
            if bit.reset is not None:
                state = state & ~(1 << index) | bit.reset << index
        return state

    # ---- the record

    def _columns(self, keep: _Kept, res: npt.NDArray[np.uint8]) -> Columns:
        at_clip = {
            "sync": keep.sync,
            "res": res,
            "irq": keep.irq,
            "nmi": keep.nmi,
            "rdy": keep.rdy,
            "be": keep.be,
        }
        for mask, layout in self.layouts.items():
            for name, column in at_clip.items():
                level = layout.planted.clip_levels.get(name.upper())
                if level is not None:
                    column[self.acting == mask] = level

        def shown(of: Callable[[Layout, npt.NDArray[np.bool_]], npt.NDArray[Any]]) -> Any:
            parts = {mask: of(layout, self.acting == mask) for mask, layout in self.layouts.items()}
            first = next(iter(parts.values()))
            whole = np.empty((len(res), *first.shape[1:]), first.dtype)
            for mask, part in parts.items():
                whole[self.acting == mask] = part
            return whole

        where = keep.address
        return at_clip | {
            "cpu_address": keep.cpu_address,
            "clip_address": shown(lambda layout, rows: layout.clip[where[rows]]),
            "decoder_address": shown(lambda layout, rows: layout.decoder[where[rows]]),
            "chip_address": shown(lambda layout, rows: layout.chip_addresses(where[rows])),
            "cpu_data": keep.cpu_data,
            "clip_data": shown(lambda layout, rows: layout.data_clip[keep.clip_data[rows]]),
            "bus_data": keep.bus_data,
            "cpu_rw": keep.cpu_rw,
            "rw": shown(lambda layout, rows: layout.rw_clip[keep.rw[rows]]),
            "selects": shown(
                lambda layout, rows: layout.select_lines(
                    where[rows], keep.rw[rows], keep.state[rows]
                )
            ),
            "drivers": keep.drivers,
            "state": keep.state,
            "early_data": shown(lambda layout, rows: layout.data_clip[keep.early[rows, 0]]),
            "early_driven": keep.early[:, 1].copy(),
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """Columns of a run; the names are those of the record, before the clip."""

    cpu_address: npt.NDArray[np.uint16]
    cpu_rw: npt.NDArray[np.uint8]
    state: npt.NDArray[np.uint16]
    address: npt.NDArray[np.uint16]
    rw: npt.NDArray[np.uint8]
    sync: npt.NDArray[np.uint8]
    irq: npt.NDArray[np.uint8]
    nmi: npt.NDArray[np.uint8]
    rdy: npt.NDArray[np.uint8]
    be: npt.NDArray[np.uint8]
    cpu_data: npt.NDArray[np.uint8]
    clip_data: npt.NDArray[np.uint8]
    bus_data: npt.NDArray[np.uint8]
    drivers: npt.NDArray[np.uint32]
    early: npt.NDArray[np.uint8]

    @classmethod
    def of(cls, rows: list[tuple[int, ...]], early: npt.NDArray[np.uint8]) -> _Kept:
        """From a row a cycle, its values in the order of the fields above."""
        table = np.array(rows, np.int64).reshape(len(rows), len(_KEPT))
        columns = [table[:, place].astype(dtype) for place, dtype in enumerate(_KEPT)]
        return cls(**dict(zip(cls.__slots__, [*columns, early], strict=True)))


_KEPT = (np.uint16, np.uint8, np.uint16, np.uint16, *[np.uint8] * 9, np.uint32)
"""Types of the columns that `_Kept.of` takes apart."""


def _latches(board: Board) -> list[tuple[Any, int | None, Any, Any]]:
    chips = board.map.chips
    return [
        (
            bit,
            chips.index(bit.source) if bit.source in chips else None,
            covered(bit.write_ranges or bit.set_ranges, bit.undecoded),
            covered(bit.clear_ranges, bit.undecoded),
        )
        for bit in board.state_bits
    ]


def _device(board: Board, bit: int, rng: np.random.Generator, io_hold: int | None) -> Device:
    """A chip as it is at power-on."""
    chip = board.mapped[bit]
    size = chip.size or 0
    if chip.role == "rom":
        if not chip.images:
            raise ValueError(f"{chip.ref} has no image: the drill cannot invent a ROM")
        return Memory(chip.images[0].content, False)
    if chip.role == "ram":
        return Memory(rng.integers(256, size=size, dtype=np.uint8), True)
    return make_io_chip(chip.part, size, rng, io_hold)
