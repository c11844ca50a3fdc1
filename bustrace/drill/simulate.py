"""Run a board on the executor, cycle by cycle, with faults planted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from bustrace.board.address_map import covered
from bustrace.board.model import READ, WRITE, AddressMap, Board, Chip
from bustrace.cpu.executor import REGISTERS, CpuState, Executor
from bustrace.drill.chips import Device, Memory, PortInterval, PortTimer, Registers
from bustrace.drill.model import CPU_DRIVES, BusRecord, Display, control_lines
from bustrace.drill.plant import Planted, plant
from bustrace.faults import Fault

RESET_LOW = 12
"""Cycles RES stays low; the makers ask for two (R650X sheet p. 2, SY6500 sheet p. 3-40)."""

BIT_ROT = 0.01
"""Share of a ROM's 0 bits that ``content`` faults turn to 1, as an EPROM that loses charge."""

Undriven = Literal["keeps", "high"]


def simulate(
    board: Board,
    *,
    cycles: int,
    faults: Iterable[Fault | str] = (),
    seed: int = 0,
    clock_hz: Fraction | None = None,
    reset_low: Sequence[tuple[int, int]] = ((0, RESET_LOW),),
    undriven: Undriven = "keeps",
    display: Display | None = None,
    stop_after: int | None = None,
    repeat_every: int | None = None,
) -> BusRecord:
    """Run `board` for a number of bus cycles.

    Parameters
    ----------
    board : Board
        Its ROMs need an image; RAM starts with random content.
    cycles : int
    faults : iterable of Fault or fault id
    seed : int
        Chooses everything that is left to chance: RAM content, registers, inputs of the I/O
        chips, which bytes a ``content`` fault changes, where the clock stops, ...
    clock_hz : Fraction or None
        None: the board's, or 1 MHz.
    reset_low : sequence of (first, end)
        Cycles in which RES is low, end excluded.
    undriven : {"keeps", "high"}
        What a data bus that nobody drives shows: its last byte, held by its capacitance, or $FF,
        where pull-ups or LS inputs draw it up (facts of the trade).
    display : Display or None
        Takes the bus from the CPU for some cycles now and then.
    stop_after, repeat_every : int or None
        Cycle at which ``clock:stops`` takes hold, period of ``reset:repeats``; None: by chance.

    Returns
    -------
    BusRecord

    Raises
    ------
    ValueError
        A fault that is not simulated or names what the board lacks; a ROM without an image; a
        CPU with a port; a display on a CPU that has no BE.
    """
    if cycles < 0:
        raise ValueError(f"cycles must not be negative, not {cycles}")
    if any(bit.port is not None for bit in board.state_bits):
        raise ValueError(f"the drill does not run a CPU with a port, the {board.cpu.part}")
    if display is not None and "BE" not in control_lines(board):
        raise ValueError(f"a {board.cpu.part} has no BE: a display cannot take its bus")
    # Streams of their own, so that a fault leaves everything else as it was without it.
    rng, fault_rng, rest_rng = (np.random.default_rng((seed, stream)) for stream in range(3))
    wanted = tuple(fault if isinstance(fault, Fault) else Fault.parse(fault) for fault in faults)
    planted = plant(board, wanted, fault_rng)
    run = _Run(board, planted, rng, fault_rng, undriven, display)
    length = cycles
    if planted.clock == "absent":
        length = 0
    elif planted.clock == "stops":
        chosen = int(rest_rng.integers(cycles // 4, cycles // 2 + 1))
        length = min(cycles, chosen if stop_after is None else stop_after)
    res = np.ones(length, dtype=np.uint8)
    for first, end in reset_low:
        res[first:end] = 0
    if planted.reset == "held":
        res[:] = 0
    elif planted.reset == "repeats":
        period = int(rest_rng.integers(600, 1500)) if repeat_every is None else repeat_every
        for first in range(period, length, period):
            res[first : first + RESET_LOW] = 0
    columns = run.go(res)
    clip_levels = dict(planted.clip_levels)
    for line, level in planted.held.items():
        clip_levels.setdefault(line, level)
    return BusRecord(
        board=board,
        faults=wanted,
        seed=seed,
        clock_hz=clock_hz or board.clock_hz or Fraction(10**6),
        clip_levels=clip_levels,
        clip_shorts=planted.clip_shorts,
        clock_ends=planted.clock is not None,
        rest_cycles=cycles - length,
        rest_level=int(rest_rng.integers(2)),
        **columns,
    )


@dataclass(frozen=True, slots=True)
class _Bank:
    """What one value of the state bits makes of addresses.

    Attributes
    ----------
    answering : list of two lists of int
        By R/W and address: chips whose select pin is active, as masks.
    inner : list of lists of int
        By chip and address: address within the chip.
    """

    answering: list[list[int]]
    inner: list[list[int]]


class _Run:
    """One run: the tables of the layers, the chips, and the loop."""

    def __init__(
        self,
        board: Board,
        planted: Planted,
        rng: np.random.Generator,
        fault_rng: np.random.Generator,
        undriven: Undriven,
        display: Display | None,
    ) -> None:
        self.board = board
        self.planted = planted
        self.undriven = undriven
        self.display = display
        self.devices = [
            _device(chip, planted, bit, rng, fault_rng) for bit, chip in enumerate(board.mapped)
        ]
        registers = {name: int(rng.integers(256)) for name in ("a", "x", "y", "s", "p")}
        self.executor = Executor.from_state(
            CpuState.at_reset(
                board.cpu.variant, known=REGISTERS, pc=int(rng.integers(0x10000)), **registers
            )
        )
        self.last = int(rng.integers(256))
        # Drawn last, and only where there are any, so that boards without banks run as ever.
        self.state = int(rng.integers(len(board.maps))) if board.state_bits else 0
        self.banks: dict[int, _Bank] = {}
        self._lay_out()

    def _lay_out(self) -> None:
        """Tables from the CPU's address and R/W to what each layer meets."""
        board, table, rw = self.board, self.planted.address.table, self.planted.rw
        bits = range(len(self.devices))
        self.clip = table("near", "clip")
        self.decoder = table("near", "far", "decoder")
        self.at_chip = [table("near", "far", f"chip:{bit}") for bit in bits]
        self.rw_clip = rw.table("near", "clip").astype(np.uint8)
        self.rw_decoder = rw.table("near", "far", "decoder").tolist()
        self.rw_chip = [rw.table("near", "far", f"chip:{bit}").tolist() for bit in bits]
        present = readable = 0
        for bit, chip in enumerate(board.mapped):
            present |= chip.fitted << bit
            readable |= any(board.maps[s].readers(chip.ref).any() for s in self._states()) << bit
        self.present, self.readable = present, readable & present

    def _states(self) -> range:
        return range(len(self.board.maps))

    def _bank(self, state: int) -> _Bank:
        """The tables of one state, made when it first comes up."""
        if state not in self.banks:
            tables = self.board.maps[state]
            inner = [tables.inner[bit][where].tolist() for bit, where in enumerate(self.at_chip)]
            self.banks[state] = _Bank([self._answering(tables, rw) for rw in (WRITE, READ)], inner)
        return self.banks[state]

    def _answering(self, tables: AddressMap, rw: int) -> list[int]:
        """Chips whose select pin is active, for each address of the CPU: masks."""
        planted = self.planted
        selected = tables.responds[self.rw_decoder[rw]][self.decoder]
        selected = (selected | np.uint32(planted.select_on)) & np.uint32(~planted.select_off & _ALL)
        return list((selected & np.uint32(self.present)).tolist())

    def _roles(self, cpu_rw: int, answering: int) -> tuple[list[int], list[int]]:
        """Bits of the chips that drive, and of those that take the byte, in such a cycle."""
        planted = self.planted
        joins = 0
        for first, other in planted.doubled:
            joins |= (answering >> first & 1) << other
        reading = [bit for bit in range(len(self.devices)) if self.rw_chip[bit][cpu_rw]]
        drives = (answering | joins | planted.always) & self.readable & ~planted.silent
        takes = [bit for bit in range(len(self.devices)) if bit not in reading]
        return (
            [bit for bit in reading if drives >> bit & 1],
            [bit for bit in takes if answering >> bit & 1],
        )

    def _select_lines(
        self,
        address: npt.NDArray[np.uint16],
        rw: npt.NDArray[np.uint8],
        states: npt.NDArray[np.uint16],
    ) -> npt.NDArray[np.uint32]:
        """Chips whose select line is active at the clip, in every cycle."""
        planted = self.planted
        at_decoder = np.array(self.rw_decoder, dtype=np.uint8)[rw]
        active = np.zeros(len(address), np.uint32)
        for state in np.unique(states).tolist():
            rows = states == state
            asserts = self.board.maps[state].asserts
            active[rows] = asserts[at_decoder[rows], self.decoder[address[rows]]]
        for first, other in planted.doubled:
            joins = (active >> np.uint32(first) & 1) * rw
            active = active | joins.astype(np.uint32) << np.uint32(other)
        return (active | np.uint32(planted.line_on)) & np.uint32(~planted.line_off & _ALL)

    def _state_after(self, address: int, rw: int, byte: int, takes: list[int]) -> int:
        """State bits after a cycle: `byte` as the latch meets it, `takes` the chips that take it.

        A latch that is a chip of the map hears only what its select lets through.
        """
        state = self.state
        seen = int(self.decoder[address])
        for index, (bit, latch, sets, clears) in enumerate(self.latches):
            level: int | None = None
            if bit.source in self.planted.deaf:
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

    def _prepare_latches(self) -> None:
        chips = self.board.map.chips
        self.latches = [
            (
                bit,
                chips.index(bit.source) if bit.source in chips else None,
                covered(bit.write_ranges or bit.set_ranges, bit.undecoded),
                covered(bit.clear_ranges, bit.undecoded),
            )
            for bit in self.board.state_bits
        ]

    def go(self, res: npt.NDArray[np.uint8]) -> dict[str, npt.NDArray[Any]]:
        """Run one cycle for each level of RES; return the record's columns."""
        planted, n, bits = self.planted, len(res), range(len(self.devices))
        self._prepare_latches()
        cpu_addresses, addresses = (np.empty(n, np.uint16) for _ in range(2))
        drivers = np.empty(n, np.uint32)
        cpu_rws, rws, syncs, irqs, bes, rdys = (np.empty(n, np.uint8) for _ in range(6))
        taken, near_data, far_data = (np.empty(n, np.uint8) for _ in range(3))
        states = np.zeros(n, np.uint16)
        read_far, read_near = (planted.reads.table(s).tolist() for s in ("far", "near"))
        write_near, write_far = (planted.writes.table(s).tolist() for s in ("near", "far"))
        into = [planted.writes.table(f"chip:{bit}").tolist() for bit in bits]
        out_of = [planted.reads.table(f"chip:{bit}").tolist() for bit in bits]
        masks = [
            int(mask) & ~planted.open_data.get(bit, 0)
            for bit, mask in enumerate(self.board.map.data_masks)
        ]
        devices = [self.devices[planted.device_of[bit]] for bit in bits]
        roles: dict[tuple[int, int], tuple[list[int], list[int]]] = {}
        irq_from = self.board.irq_from
        sources = [
            devices[bit]
            for bit in bits
            if "IRQ" in control_lines(self.board)
            and (not irq_from or self.board.map.chips[bit] in irq_from)
        ]
        held, nmi, rdy, so = (planted.held.get(line) for line in ("IRQ", "NMI", "RDY", "SO"))
        executor, last, floats_high = self.executor, self.last, self.undriven == "high"
        display, fetched = self.display, 0
        for k, res_level in enumerate(res.tolist()):
            address, cpu_rw = executor.address, executor.rw
            cpu_addresses[k], cpu_rws[k] = address, cpu_rw
            stolen = display is not None and display.takes(k)
            if stolen and display is not None:
                address, cpu_rw = display.address(fetched), READ
                fetched += 1
            if not res_level:
                for device in devices:
                    device.reset()
                self.state = self._reset_state()
            states[k] = shown = self.state & planted.state_and | planted.state_or
            bank = self._bank(shown)
            inner = bank.inner
            irq = held if held is not None else not any(chip.requests(k) for chip in sources)
            answering = bank.answering[cpu_rw][address]
            role = roles.get((cpu_rw, answering))
            if role is None:
                role = roles[cpu_rw, answering] = self._roles(cpu_rw, answering)
            byte, driven, who = 0xFF, 0, 0
            for bit in role[0]:
                device = devices[bit]
                mine = out_of[bit][device.read(inner[bit][address] % device.size, k)]
                byte &= mine | ~masks[bit]
                driven |= masks[bit]
                who |= 1 << bit
            if cpu_rw:
                floating = 0xFF if floats_high else last
                far = read_far[byte & driven | floating & ~driven]
                near = given = read_near[far]
            else:
                given = executor.data_out
                near = write_near[given] & (byte | ~driven) & 0xFF
                far = write_far[near]
                who |= CPU_DRIVES
            for bit in role[1]:
                device = devices[bit]
                device.write(inner[bit][address] % device.size, into[bit][far], k)
            if self.latches and res_level:
                self.state = self._state_after(address, cpu_rw, far, role[1])
            last = far
            ready = 0 if stolen else 1 if rdy is None else rdy
            addresses[k], rws[k], syncs[k], irqs[k] = address, cpu_rw, executor.sync, irq
            taken[k], near_data[k], far_data[k], drivers[k] = given, near, far, who
            bes[k], rdys[k] = not stolen, ready
            executor.clock(
                near,
                res=res_level,
                irq=irq,
                nmi=1 if nmi is None else nmi,
                rdy=ready,
                so=1 if so is None else so,
            )
        at_clip = {
            "sync": syncs,
            "res": res,
            "irq": irqs,
            "nmi": np.full(n, 1 if nmi is None else nmi, np.uint8),
            "rdy": rdys,
            "be": bes,
        }
        for name, column in at_clip.items():
            column[:] = planted.clip_levels.get(name.upper(), column)
        at_chip = [table[addresses] for table in self.at_chip]
        return at_clip | {
            "cpu_address": cpu_addresses,
            "clip_address": self.clip[addresses],
            "decoder_address": self.decoder[addresses],
            "chip_address": np.stack(at_chip, axis=1) if at_chip else np.empty((n, 0), np.uint16),
            "cpu_data": taken,
            "clip_data": planted.reads.table("clip").astype(np.uint8)[near_data],
            "bus_data": far_data,
            "cpu_rw": cpu_rws,
            "rw": self.rw_clip[rws],
            "selects": self._select_lines(addresses, rws, states),
            "drivers": drivers,
            "state": states,
        }


_ALL = 0xFFFFFFFF


def _device(
    chip: Chip,
    planted: Planted,
    bit: int,
    rng: np.random.Generator,
    fault_rng: np.random.Generator,
) -> Device:
    """The chip's inside, with what is planted in it."""
    size = chip.size or 0
    cells, plane = planted.cells.get(bit), planted.planes.get(bit, (0xFF, 0x00))
    if chip.role == "rom":
        if not chip.images:
            raise ValueError(f"{chip.ref} has no image: the drill cannot invent a ROM")
        content = chip.images[0].content.copy()
        if bit in planted.content:
            rotten = fault_rng.random((len(content), 8)) < BIT_ROT
            content |= np.packbits(rotten, axis=1)[:, 0]
        return Memory(content, False, cells, plane)
    if chip.role == "ram":
        return Memory(rng.integers(256, size=size, dtype=np.uint8), True, cells, plane)
    if "32" in chip.part and size == PortInterval.SIZE:
        return PortInterval(rng.integers(256, size=(256, 2), dtype=np.uint8))
    if "22" in chip.part and size == 16:
        return PortTimer(rng.integers(256, size=(256, 2), dtype=np.uint8))
    return Registers(size)
