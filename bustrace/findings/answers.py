"""What the board should have answered, by replaying what the CPU did.

The CPU's part is given: what it meant to address and to write comes from the recovered program.
The board's part is judged: under an `Assumption` of what is wrong, every cycle has an expected
byte, and every surprise has a price in bits. The null assumption gives the expected bytes that
the rules compare with; the others are weighed by the diagnosis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, Board
from bustrace.cycles import CONTROL_BIT, IN_RESET, OWNER_CPU, UNSETTLED
from bustrace.findings._kernels import (
    DID_READ,
    HABITS,
    IO,
    MAY_WRITE,
    MOST_REGISTERS,
    OF_ADDRESSES,
    OPCODES,
    OTHER,
    RAM,
    ROM,
    ROM_BYTES,
    SILENT,
    SLOTS,
    SUMS,
    TAKEN_WRITE,
    TOLD_BANKS,
    replay_board,
)
from bustrace.findings.banks import fold_banks
from bustrace.findings.io_reads import Accesses, IoReads, IoSheets, known_sheets, no_sheets
from bustrace.findings.trail import left_by_another, went_another_way, went_elsewhere
from bustrace.findings.usual_bytes import operands, usual_on
from bustrace.program import bank_state, reads_of
from bustrace.reading import Reading

KINDS = {"rom": ROM, "ram": RAM, "io": IO}

PRICES = np.array([10.0, 10.0, 10.0, 1.0, 8.0])
"""Bits for: a wrong data bit, address bit, select; an unknown bit met; a wrong byte of a ROM whose
content is in doubt, which may be any (three quarters of that where one bit alone is wrong: an EPROM
loses single bits). Ten bits is an error rate of one in a thousand for each distinct (address, bit):
high enough for noise, low enough to prove something with two bytes."""

WRONG_ONLY = np.array([10.0, 10.0, 10.0, 0.0, 0.0])
"""The same, with nothing for what is merely unknown, or of another content."""


MAX_CYCLES = 400_000
"""Cycles that are weighed; a boot's decisive part is far shorter, and the cost is linear."""

ROUNDING = 0.001
"""Bits by which sums of the same prices may differ, added in another order and rounded."""


class Assumption(NamedTuple):
    """What is wrong, as the replay understands it. The defaults are a healthy board.

    Masks come in pairs: seen = (level & and) | or. Chips are numbers in the address map; -1 is
    none. `silent` chips do not drive reads, `deaf` ones do not get what is written to them; state
    bits in `latch_dead` are never set. Of `cell_chip` the byte at offset `cell` is bad, and all
    that agree with it in the offset bits of `cell_block`. The selects of `select_off` chips never
    come, that of `select_on` always does; `select_hidden` is 1 where it is so behind the clip only.
    The clip on the select of `select_clip` is off, and shows it asserted or never.
    Two lines are joined at a place: `BUS`, where the clip sees it too, `BEHIND`, `DECODER` (for the
    data bus `READS` and `WRITES`: in one direction alone), or at a chip's pins, `PINS` plus its
    number; `short_wins` tells whose level they take: `LOW_WINS`, `HIGH_WINS`, `FIRST_WINS` or
    `SECOND_WINS`. Of two chips that drive one line `fight` tells the same, `FIRST_WINS` for the
    chip in `strong`, but where one of the chips in `yields` drives; with `EITHER_WINS` now one wins
    and now the other. RAMs in `forgets` may lose a row that was not used for `forgets_after`
    cycles; `forgets_rows` masks the bits of the offset that choose a row. A chip at
    `data_open_chip` does not drive the lines in `data_open`, and takes them as high: an input that
    nothing drives (Fairchild AN-363). One at `weak_chip`, or `EVERY_CHIP`, drives the lines in
    `weak_lines` so weakly that a low or a high may not come (`WEAK_LOW`, `WEAK_HIGH`), or so `LATE`
    that the bus may still hold what it held before. The I/O chip `io_ill` is ill in one of
    `io_chips.WAYS`, the one numbered `io_way`. At the chips in `pin_chips`, a bit each, `pin_and`
    and `pin_or` act on their own address pins, and of two halves of `pin_half` lines each they get
    the higher one twice, or for a negative number the lower one. The order of the fields is that of
    the kernel's slots.
    """

    decoder_and: int = 0xFFFF
    decoder_or: int = 0
    chips_and: int = 0xFFFF
    chips_or: int = 0
    pin_chips: int = 0
    pin_and: int = 0xFFFF
    pin_or: int = 0
    clip_and: int = 0xFFFF
    clip_or: int = 0
    short_a: int = -1
    short_b: int = -1
    short_place: int = 0
    short_wins: int = 0
    read_and: int = 0xFF
    read_or: int = 0
    write_and: int = 0xFF
    write_or: int = 0
    write_clip_and: int = 0xFF
    write_clip_or: int = 0
    data_short_a: int = -1
    data_short_b: int = -1
    data_short_place: int = 0
    data_pin_chip: int = -1
    data_pin_and: int = 0xFF
    data_pin_or: int = 0
    data_open_chip: int = -1
    data_open: int = 0
    silent: int = 0
    always: int = 0
    fight: int = 0
    strong: int = -1
    doubled: int = -1
    doubled_by: int = -1
    swap_a: int = -1
    swap_b: int = -1
    rw_seen: int = -1
    rw_decoder: int = -1
    rw_line_chip: int = -1
    rw_line_seen: int = -1
    loose: int = -1
    cell_chip: int = -1
    cell: int = 0
    cell_block: int = 0xFFFF
    cell_and: int = 0xFF
    cell_or: int = 0
    select_off: int = 0
    select_on: int = -1
    select_hidden: int = 0
    rw_clip: int = -1
    deaf: int = 0
    latch_dead: int = 0
    state_and: int = 0xFFFF
    state_or: int = 0
    forgets: int = 0
    forgets_after: int = 0
    forgets_rows: int = 0
    select_clip: int = -1
    select_clip_on: int = 0
    io_ill: int = -1
    io_way: int = 0
    weak_chip: int = -1
    weak_lines: int = 0
    weak_way: int = 0
    yields: int = 0
    pin_half: int = 0

    def packed(self) -> npt.NDArray[np.int32]:
        """The kernel's vector: int32, shape (SLOTS,)."""
        return np.array(self, dtype=np.int32)


HEALTHY = Assumption()


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """The board's answers under one assumption. Columns have one row a weighed cycle.

    Attributes
    ----------
    expected, expected_known : uint8, shape (n,)
        Byte expected at the clip; which bits are certain.
    drivers : uint32, shape (n,)
        Chips that drive each read.
    bank : int16, shape (n,)
        Map of `BoardReplay.banks` in each cycle; -1 where the cycle is skipped or state bits that
        are not known decide who answers.
    cost : float32, shape (n,)
        Surprise of each cycle, bits.
    total : float
        Sum of `cost`.
    gain : float
        Bits gained over the healthy board with the fault present from `onset` on; 0 for the
        healthy board itself.
    onset : int
        Cycle from which the fault explains more than the healthy board does.
    astray : int
        I/O chips with a sheet that got other accesses than on a healthy board.
    taken : uint16, shape (chips, n)
        What each I/O chip with a sheet got in each cycle, as the kernel's `TAKEN` has it.
    """

    expected: npt.NDArray[np.uint8]
    expected_known: npt.NDArray[np.uint8]
    drivers: npt.NDArray[np.uint32]
    bank: npt.NDArray[np.int16]
    cost: npt.NDArray[np.float32]
    total: float
    gain: float
    onset: int
    astray: int
    taken: npt.NDArray[np.uint16]

    @property
    def written_to(self) -> int:
        """I/O chips with a sheet that any write reached, a bit each."""
        reached = (self.taken & TAKEN_WRITE != 0).any(axis=1)
        return sum(1 << chip for chip in np.flatnonzero(reached).tolist())


class NowAndThen(NamedTuple):
    """What a fault must come to that comes and goes.

    Attributes
    ----------
    given : float32, shape (n,)
        Bits of each cycle without the fault.
    tells : bool, shape (n,)
        Whether the cycle can tell whether it is there.
    total, largest : float
        Sum of `given` where a cycle tells, and the most bits of one cycle.
    least : float
        Bits it must gain over that.
    """

    given: npt.NDArray[np.float32]
    tells: npt.NDArray[np.bool_]
    total: float
    largest: float
    least: float


class _Limit(NamedTuple):
    """Where a replay stops, see `BoardReplay.replay_while`."""

    least: float
    onset_price: float
    now_and_then: NowAndThen
    pace: npt.NDArray[np.float64]


class BoardReplay:
    """The columns of a reading, ready to be replayed under any assumption.

    Parameters
    ----------
    reading : Reading

    Attributes
    ----------
    n : int
        Cycles weighed: the first `most` of the reading, or all.
    meant_address : int32, shape (n,)
        Address the CPU meant, or, where the program is not known, the one at the clip; -1 where
        not all sixteen lines are known, where the cycle is not the CPU's, or where it had not
        settled.
    address : int32, shape (n,)
        The same, -1 too where state bits that are not known decide who answers.
    state, state_known : uint16, shape (n,)
        State bits of the board, bit i is ``board.state_bits[i]``, and which of them are known.
    banks : Banks
        Who answers in every state.
    read : uint8, shape (n,)
        1 where the CPU meant to read.
    written, written_known : uint8, shape (n,)
        Byte it meant to write.
    data, data_known : uint8, shape (n,)
        Data lines as the clips saw them, without lines whose clips are off and cycles that had
        not settled, and with the byte the CPU must have seen where that was another.
    elsewhere : bool, shape (n,)
        The CPU put out another address than its program implies: what the program means there is
        a false trail.
    meant : bool, shape (n,)
        Address and direction come from the executed program, not from the clip.
    chips : tuple of str
        References in the order of the map's bits.
    kind : uint8, shape (chips,)
    base : int64, shape (chips,)
        Where a chip's bytes begin in the replay's memory.
    wrong : float
        What is wrong on a healthy board, in bits, without what is merely unknown.
    readable : int
        Chips that answer some read, a bit each; the others have no outputs, however selected.
    io_sheets : tuple of int
        Chips whose makers' sheets tell what their registers give.
    image : dict of str to int
        Which of a ROM's known images fits best.
    """

    def __init__(self, reading: Reading, most: int = MAX_CYCLES) -> None:
        cycles, intent, board = reading.cycles, reading.program.intent, reading.board
        n = self.n = min(len(cycles), most)
        seen = cycles.address[:n].astype(np.int32)
        seen_known = cycles.address_known[:n].astype(np.int32)
        known = intent.address_known[:n].astype(np.int32)
        self.elsewhere = went_elsewhere(reading, n) | went_another_way(reading, n)
        known[self.elsewhere] = 0
        meant = intent.address[:n].astype(np.int32)
        rw_bit = np.uint16(CONTROL_BIT["RW"])
        rw = ((cycles.control[:n] >> rw_bit) & 1).astype(np.uint8)
        rw[(cycles.control_known[:n] >> rw_bit) & 1 == 0] = 2

        address = (meant & known) | (seen & seen_known & ~known)
        read = np.where(intent.rw[:n] < 2, intent.rw[:n], rw)
        # An address is known when the lines that have a pin are.
        usable = (known | seen_known | (0xFFFF ^ board.address_mask)) == 0xFFFF
        usable &= cycles.owner[:n] == OWNER_CPU
        usable &= read < 2
        usable &= intent.inside[:n] == 0
        # Where the program is known, an unsettled cycle still happened: only its clips are not
        # judged. Elsewhere it is left out.
        settled = cycles.flags[:n] & UNSETTLED == 0
        usable &= settled | ((known == 0xFFFF) & (intent.rw[:n] < 2))
        # The first cycle of a recording, or of a clock that has just started, may have begun
        # before the clips saw it: its address need not be the one the chips answered.
        usable[:1] = False
        self.meant = (known == 0xFFFF) & (intent.rw[:n] < 2) & usable
        # What the CPU did where nobody knows; it does not write while RES is low.
        unseen = ~usable & (cycles.owner[:n] == OWNER_CPU)
        wrote = unseen & (read != 1) & (cycles.flags[:n] & IN_RESET == 0)
        self.unseen = np.where(
            wrote, MAY_WRITE, np.where(unseen & (read == 1), DID_READ, 0)
        ).astype(np.uint8)
        self.meant_address = np.where(usable, address, np.int32(-1)).astype(np.int32)
        self.address = self.meant_address
        met, places = np.unique(self.meant_address, return_inverse=True)
        self._addresses, self._places = len(met), places.astype(np.int32)
        self._usual = usual_on(board)
        self.read = read.astype(np.uint8)
        in_write = self.read == 0
        byte_meant = intent.data_known[:n]
        byte_seen = np.where(settled, cycles.data_known[:n], np.uint8(0)) & ~byte_meant
        self.written = (intent.data[:n] & byte_meant) | (cycles.data[:n] & byte_seen)
        self.written_known = np.where(in_write, byte_meant | byte_seen, np.uint8(0))
        self._clip_address = seen
        judged = self.meant & settled
        # What is taken from the clip is as it is there, and what would hold a line another way is
        # not so.
        own = np.where(usable & settled, seen_known & ~known, 0)
        self._clip_address_known = np.where(judged, seen_known, own).astype(np.int32)
        own_rw = usable & settled & (intent.rw[:n] >= 2)
        self._clip_rw = np.where(judged | own_rw, rw, np.uint8(2)).astype(np.uint8)
        disbelieved = sum(1 << int(line[1:]) for line in reading.program.clips_off)
        # What the CPU saw is what the board gave.
        self.data = reads_of(reading.program, cycles)[:n] & np.uint8(~disbelieved & 0xFF)
        self.data_known = np.where(
            settled, cycles.data_known[:n] & np.uint8(~disbelieved & 0xFF), np.uint8(0)
        )
        self._obeyed_as = self._taken_for(intent.sync[:n] == 1, board.cpu.variant)
        self._left, self._left_known = left_by_another(cycles, n, disbelieved)
        self._in_reset = (cycles.flags[:n] & IN_RESET != 0).astype(np.uint8)
        self.state, self.state_known = bank_state(cycles, intent, board, n)
        self._told_state = self.state.astype(np.int32), self.state_known.astype(np.int32)
        self._set_board(board)
        self._set_selects(reading, settled)
        self.image = self._choose_images(board)
        self._power_on = self._at_power_on()
        self._plain, self._plain_bank = np.zeros(n, dtype=np.uint32), np.zeros(n, dtype=np.int16)
        self._expect_costs(np.zeros(n, dtype=np.float32))
        self._io = no_sheets()
        self.healthy = self.replay(HEALTHY)
        if known_sheets(reading):
            accesses = self._accesses()
            self._sure = np.where(self.read == 1, self.data_known, accesses.written_known)
            self._sheets = IoSheets(reading, self.banks, accesses)
            self._io = self._sheets.reads
            self.healthy = self.replay(HEALTHY)
        self.io_sheets = tuple(i for i in range(len(self.chips)) if self._io.chips >> i & 1)
        self.address = np.where(self.healthy.bank < 0, np.int32(-1), self.meant_address)
        self._plain, self._plain_bank = self._plain_reads(), self.healthy.bank
        self._expect_costs(self.healthy.cost)
        self.wrong = self.replay(HEALTHY, WRONG_ONLY).total

    def _expect_costs(self, healthy: npt.NDArray[np.float32]) -> None:
        """What each cycle costs on a healthy board, and all cycles up to each."""
        self._healthy_cost = healthy
        now_and_then = NowAndThen(healthy, healthy > 0, 0.0, 1.0, -np.inf)
        self._no_limit = _Limit(-np.inf, 0.0, now_and_then, np.full(len(healthy), -np.inf))
        self._ahead = np.concatenate([[0.0], np.cumsum(healthy, dtype=np.float64)])

    def _at_power_on(self) -> npt.NDArray[np.uint8]:
        """What the memories hold before anything is written, which bits of it are known, and that
        nothing is written: uint8, shape (3, bytes).
        """
        memory = np.zeros((3, sum(self.sizes)), dtype=np.uint8)
        for i, content in enumerate(self._contents):
            if content is not None:
                mine = slice(int(self.base[i]), int(self.base[i]) + len(content))
                memory[0, mine] = content
                memory[1, mine] = self.lanes[i]
        return memory

    def _plain_reads(self) -> npt.NDArray[np.uint32]:
        """Memories that answer a read alone on a healthy board, together on all data lines, where
        no latch is set by reading: uint32, shape (n,), a bit each; 0 in other cycles.
        """
        banks, row = self.banks, self.rows(self.address)
        answering = banks.responds[:, READ]
        others = np.uint32(~self.of_kind(ROM, RAM) & 0xFFFFFFFF)
        mine = answering[:, np.newaxis] >> np.arange(len(self.chips), dtype=np.uint32) & 1 == 1
        lanes = np.where(mine, self.lanes, 0).sum(axis=1)  # those of two would come to more
        shared = np.bitwise_or.reduce(np.where(mine, self.lanes, 0), axis=1, initial=0)
        whole = (answering & others == 0) & (lanes == 0xFF) & (shared == 0xFF)
        latches = (banks.changes[:, READ] != 0).any(axis=0)
        plain = (row >= 0) & (self.read == 1) & ~latches[self.address] & whole[row]
        return np.where(plain, answering[row], np.uint32(0)).astype(np.uint32)

    def _taken_for(self, fetches: npt.NDArray[np.bool_], variant: str) -> npt.NDArray[np.uint8]:
        """Row of `usual` for the byte at the address of each cycle, by what the program takes it
        for anywhere: the CPU may have read it before.
        """
        place = np.full(0x10000, ROM_BYTES, dtype=np.uint8)
        at = np.flatnonzero(fetches & (self.meant_address >= 0))
        told = at[self.data_known[at] == 0xFF]
        operand, operand_use = operands(variant)
        by_opcode = self.data[told]
        told, by_opcode = told[operand_use[by_opcode] > 0], by_opcode[operand_use[by_opcode] > 0]
        place[self.meant_address[told] + operand[by_opcode] & 0xFFFF] = operand_use[by_opcode]
        place[self.meant_address[at]] = OPCODES
        return np.where(self.meant_address >= 0, place[self.meant_address], np.uint8(ROM_BYTES))

    def asking(self, chip: int) -> list[tuple[int, int]]:
        """First cycle, and cycle after the last, of each time in which one of `io_sheets` must
        pull IRQ.
        """
        return self._sheets.asking(chip)

    def _accesses(self) -> Accesses:
        """What a healthy board's chips are asked."""
        # Where the clip saw another level than the CPU meant, either may have arrived.
        sure = self.written_known & ~((self.written ^ self.data) & self.data_known)
        return Accesses(
            self.meant_address, self.healthy.bank, self.read, self.written, sure.astype(np.uint8)
        )

    def _set_board(self, board: Board) -> None:
        self.banks = fold_banks(board)
        self.chips = board.map.chips
        self.lanes = board.map.data_masks
        chips = [board.chip(ref) for ref in self.chips]
        self.kind = np.array([KINDS.get(chip.role, OTHER) for chip in chips], dtype=np.uint8)
        self.readable = int(np.bitwise_or.reduce(self.banks.responds[:, READ], initial=0))
        # A ROM without a known image is memory that was never written.
        self.sizes = [
            max(
                chip.size or 0,
                int(self.banks.inner[i].max(initial=0) + self.banks.page[:, i].max(initial=0)) + 1,
            )
            for i, chip in enumerate(chips)
        ]
        self.base = np.concatenate([[0], np.cumsum(self.sizes)[:-1]]).astype(np.int64)[: len(chips)]

    def _set_selects(self, reading: Reading, settled: npt.NDArray[np.bool_]) -> None:
        cycles = reading.cycles
        self._selects = np.zeros(self.n, dtype=np.uint32)
        self._selects_known = np.zeros(self.n, dtype=np.uint32)
        for bit, ref in enumerate(cycles.select_names):
            if ref in self.chips:
                level = (cycles.selects[: self.n] >> np.uint32(bit)) & np.uint32(1)
                known = (cycles.selects_known[: self.n] >> np.uint32(bit)) & np.uint32(1)
                place = np.uint32(self.chips.index(ref))
                self._selects |= level << place
                self._selects_known |= np.where(settled, known, np.uint32(0)) << place

    def _choose_images(self, board: Board) -> dict[str, int]:
        best = {}
        for i, ref in enumerate(self.chips):
            images = board.chip(ref).images
            if len(images) < 2:
                best[ref] = 0
                continue
            bit = np.uint32(i)
            sure = self.state_known & self.banks.matters == self.banks.matters
            rows = np.flatnonzero((self.address >= 0) & (self.read == 1) & sure)
            bank = self.banks.map_of[self.state[rows]]
            row = self.banks.rows[bank, self.address[rows]]
            mine = (self.banks.responds[row, 1] >> bit) & 1 == 1
            rows, bank = rows[mine], bank[mine]
            inner = self.banks.inner[i, self.address[rows]] + self.banks.page[bank, i]
            got, known = self.data[rows], self.data_known[rows]
            misses = [int(np.count_nonzero((im.content[inner] ^ got) & known)) for im in images]
            best[ref] = int(np.argmin(misses))
        self._contents = [
            (
                board.chip(ref).images[best[ref]].content
                if board.chip(ref).images and self.kind[i] == ROM
                else None
            )
            for i, ref in enumerate(self.chips)
        ]
        return best

    def tells(self, io_way: int) -> bool:
        """Whether I/O chips that are ill in this one of `io_chips.WAYS` would have to give anything
        but what good ones give.
        """
        io = self._io
        other = (io.known[io_way] != io.known[0]) | (io.expected[io_way] != io.expected[0])
        return bool(other.any())

    def has_image(self, ref: str) -> bool:
        """Whether a chip's content is known from an image."""
        return self._contents[self.chips.index(ref)] is not None

    def offsets(
        self, chip: int, cycles: npt.NDArray[np.bool_] | npt.NDArray[np.int64]
    ) -> npt.NDArray[np.int64]:
        """Address within a chip, or its register, that each of some judged cycles addresses, in the
        bank of that cycle.
        """
        address, bank = self.address[cycles], self.healthy.bank[cycles]
        inner: npt.NDArray[np.int64] = self.banks.inner[chip, address] + self.banks.page[bank, chip]
        return inner

    def of_kind(self, *kinds: int) -> int:
        """Chips of these kinds, a bit each."""
        return sum(1 << i for i, kind in enumerate(self.kind.tolist()) if kind in kinds)

    def answered_by(self, chip: int) -> npt.NDArray[np.int64]:
        """Judged cycles in which a chip answers on a healthy board, reads and writes, in order."""
        row = self.rows(self.address)
        at = np.flatnonzero(row >= 0)
        answers = self.banks.responds[row[at], self.read[at]]
        found: npt.NDArray[np.int64] = at[answers >> np.uint32(chip) & np.uint32(1) == 1]
        return found

    def rom_bytes(self, bank: int, address: npt.NDArray[np.int32]) -> npt.NDArray[np.int16]:
        """What a ROM alone would give at each address in one bank: int16, -1 where none does."""
        found = np.full(len(address), -1, dtype=np.int16)
        driving = self.banks.responds[self.banks.rows[bank, address], 1]
        for chip, content in enumerate(self._contents):
            if content is not None:
                mine = driving == np.uint32(1 << chip)
                inner = self.banks.inner[chip, address[mine]] + self.banks.page[bank, chip]
                found[mine] = content[inner]
        return found

    def rows(self, address: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
        """Row of the tables of `banks` for an address in each cycle; -1 in cycles not judged."""
        bank = self.healthy.bank
        row = self.banks.rows[np.maximum(bank, 0), address]
        return np.where((bank >= 0) & (self.address >= 0), row, np.int32(-1))

    def replay(
        self,
        assumption: Assumption,
        prices: npt.NDArray[np.float64] = PRICES,
        *,
        first: int = 0,
        before: Assumption = HEALTHY,
    ) -> Answers:
        """Replay under one assumption; linear in the cycles, one pass.

        With `first` the board is as in `before` up to that cycle.
        """
        answers = self._replay(assumption, prices, first, before, self.n)
        assert answers is not None, "without a limit a replay goes to the end"
        exact = self._exactly(answers, assumption, prices, first, before)
        assert exact is not None, "without a limit a replay goes to the end"
        return exact

    def replay_while(
        self,
        assumption: Assumption,
        least: float,
        onset_price: float,
        now_and_then: NowAndThen,
        pace: npt.NDArray[np.float64] | None = None,
    ) -> Answers | None:
        """Replay as long as the gain over the healthy board can come to `least` bits, that from the
        best onset to so many and `onset_price`, or that of a fault that comes and goes to its own;
        None where none of them can. None, too, where it is behind its pace: float64, shape (n,),
        bits that must be gained by each cycle over what is given.
        """
        pace = self._no_limit.pace if pace is None else pace
        now_and_then = now_and_then._replace(least=now_and_then.least - ROUNDING)
        limit = _Limit(least - ROUNDING, onset_price, now_and_then, pace)
        answers = self._replay(assumption, PRICES, 0, HEALTHY, self.n, limit)
        if answers is None or max(answers.gain, self.healthy.total - answers.total) <= 0:
            return answers
        return self._exactly(answers, assumption, PRICES, 0, HEALTHY, limit)

    def _exactly(
        self,
        answers: Answers,
        assumption: Assumption,
        prices: npt.NDArray[np.float64],
        first: int,
        before: Assumption,
        limit: _Limit | None = None,
    ) -> Answers | None:
        """Where I/O chips got other accesses: the same again, with what they then have to give."""
        ill = assumption.deaf | before.deaf
        for one in (assumption, before):
            ill |= 1 << one.io_ill if one.io_ill >= 0 else 0
            ill |= 1 << one.rw_line_chip if one.rw_line_seen == 1 else 0
            # Selected all the time, it may as well drive unasked, whatever it then gives.
            ill |= 1 << one.select_on if one.select_on >= 0 else 0
            pair = (one.swap_a, one.swap_b)
            if one.swap_a >= 0 and not all(self._io.chips >> c & 1 for c in pair):
                ill |= sum(1 << c for c in pair)
        exact = answers.astray & self._io.chips & ~ill
        if not exact:
            return answers
        unasked = assumption.always | before.always
        for one in (assumption, before):
            unasked |= 1 << one.doubled_by if one.doubled_by >= 0 else 0
        io = self._sheets.under(answers.taken, exact, unasked, self._sure)
        return self._replay(assumption, prices, first, before, self.n, limit, io, exact)

    def early_cost(self, assumption: Assumption, cycles: int) -> npt.NDArray[np.float32]:
        """Bits of each of the first cycles: float32, shape (min(cycles, n),)."""
        answers = self._replay(assumption, PRICES, 0, HEALTHY, min(cycles, self.n))
        assert answers is not None, "without a limit a replay goes to the end"
        return answers.cost

    def _replay(
        self,
        assumption: Assumption,
        prices: npt.NDArray[np.float64],
        first: int,
        before: Assumption,
        n: int,
        limit: _Limit | None = None,
        io: IoReads | None = None,
        exact: int = 0,
    ) -> Answers | None:
        io = io or self._io
        least, onset_price, now_and_then, pace = limit or self._no_limit
        taken = np.zeros((len(self.chips), n) if io.chips else (1, 1), dtype=np.uint16)
        memory, memory_known, cell_written = self._power_on.copy()
        expected = np.empty(n, dtype=np.uint8)
        expected_known = np.empty(n, dtype=np.uint8)
        drivers = np.empty(n, dtype=np.uint32)
        cost = np.empty(n, dtype=np.float32)
        vector, sound = assumption.packed(), before.packed()
        if len(vector) != SLOTS:
            raise TypeError("Assumption and the kernel's slots differ")
        for each in (vector, sound):
            each[SILENT] |= ((1 << len(self.chips)) - 1) & ~self.readable
        chosen = np.empty(n, dtype=np.int16)
        banks = self.banks
        forgets = assumption.forgets | before.forgets
        total, lowest, onset, whole, astray = replay_board(
            self.meant_address[:n],
            self._places,
            self.read,
            self.written,
            self.written_known,
            self._clip_address,
            self._clip_address_known,
            self._clip_rw,
            self.data,
            self.data_known,
            self._left,
            self._left_known,
            self._selects,
            self._selects_known,
            self._in_reset,
            self.unseen,
            io.chips,
            io.asked,
            io.expected,
            io.known,
            io.kept,
            np.zeros((len(self.chips), MOST_REGISTERS), dtype=np.int32),
            exact,
            taken,
            *self._told_state,
            self._plain,
            self._plain_bank,
            banks.states,
            banks.map_of,
            np.array([banks.matters, banks.ports, banks.resets], dtype=np.int32),
            banks.rows,
            banks.responds,
            banks.asserts,
            banks.asserts_known,
            banks.described,
            banks.inner,
            banks.page,
            banks.same,
            banks.changes,
            banks.data_bits,
            self.lanes,
            self.kind,
            self.base,
            memory,
            memory_known,
            cell_written,
            np.zeros(OF_ADDRESSES + self._addresses, dtype=np.uint32),
            np.zeros((4, self._addresses * min(len(banks.states), TOLD_BANKS) + 1), np.uint32),
            np.zeros((2, HABITS)),
            np.zeros((4, len(memory) if forgets else 1), dtype=np.int32),
            self._usual,
            self._obeyed_as,
            vector,
            sound,
            first,
            prices,
            self._healthy_cost,
            float(self._ahead[n]),
            least,
            onset_price,
            *now_and_then,
            pace,
            np.zeros((2, SUMS)),
            expected,
            expected_known,
            drivers,
            cost,
            chosen,
        )
        if not whole:
            return None
        gain = 0.0
        if assumption != HEALTHY:
            gain = float(self._ahead[-1]) - total - lowest
        return Answers(
            expected,
            expected_known,
            drivers,
            chosen,
            cost,
            float(total),
            gain,
            int(onset),
            int(astray),
            taken,
        )
