"""What an I/O chip must give, by its maker's sheet, from what it was given before.

A `Sheet` goes through the accesses of one chip in order and tells of each read which bits the
sheet decides. What it does not decide stays unknown: input pins, what comes in from outside, and
counters and flags near the cycle in which they change, where makers and boards differ by a cycle
or two. All from memory of the makers' sheets: 6522 (Rockwell R6522, Synertek SY6522), 6532
(Rockwell R6532), 6551 (Rockwell R6551), 6545 and 6845 (Rockwell R6545, Motorola MC6845).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple, Protocol

from bustrace.board.parts import number_in

WAYS = ("", "deaf", "timer", "status")
"""Nothing is wrong; it takes no byte; its timers do not count; its flags never come."""

SLACK = 2
"""Cycles by which counters and their flags may be off: what a sheet calls N + 1.5 cycles is read
one cycle earlier or later, by the maker and by where the board takes its clock."""

READ, WRITE, RESET, FORGET, PERHAPS_READ, LOSE_COUNT = range(6)
"""A read; a write; RES is low; anything may have happened; any register may have been read; cycles
may have been missed."""

Byte = tuple[int, int]
"""A byte, and its bits that are known."""

_UNKNOWN: Byte = (0, 0)


class Event(NamedTuple):
    """What happens to a chip in one cycle; a write gives its byte and which bits are known."""

    cycle: int
    what: int
    offset: int = 0
    byte: int = 0
    known: int = 0


class Sheet(Protocol):
    """One chip as its maker's sheet has it.

    Attributes
    ----------
    KEPT : tuple of int
        Registers that give what follows from the bytes written and from RES, at any time and
        whoever looks.
    """

    KEPT: tuple[int, ...]

    def read(self, offset: int, cycle: int) -> Byte:
        """What register `offset` gives in a cycle."""
        ...

    def write(self, offset: int, given: Byte, cycle: int) -> None:
        """A register is given a byte."""
        ...

    def reset(self) -> None:
        """RES is low."""
        ...

    def lose_count(self) -> None:
        """How many cycles went by is not known."""
        ...

    def asks_from(self, cycle: int) -> int | None:
        """Cycle, this one or later, from which it surely pulls IRQ if nobody accesses it again."""
        ...


class _Known(NamedTuple):
    """A part whose sheet is here: how it is marked, its size, what can be wrong with it and would
    show (places in `WAYS`), and what its registers are called where they are read.
    """

    numbers: str
    size: int
    make: Callable[[str], Sheet]
    ails: tuple[int, ...]
    names: tuple[str, ...]


def _known(part: str, size: int | None) -> _Known | None:
    fits = (k for k in _PARTS if size == k.size and number_in(part, k.numbers))
    return next(fits, None)


def sheet_of(part: str, size: int | None) -> Callable[[str], Sheet] | None:
    """What makes a chip of a part, given one of `WAYS`; None where its sheet is not known here."""
    known = _known(part, size)
    return None if known is None else known.make


def ways_of(part: str, size: int | None) -> tuple[int, ...]:
    """Places in `WAYS` of what can be wrong with a part; none where its sheet is not known."""
    known = _known(part, size)
    return () if known is None else known.ails


def register_name(part: str, size: int | None, offset: int) -> str:
    """``register 13 (IFR)``, as its sheet calls what is read there."""
    known = _known(part, size)
    named = known is not None and offset < len(known.names)
    return f"register {offset} ({known.names[offset]})" if known and named else f"register {offset}"


def expected_reads(
    make: Callable[[str], Sheet], way: str, events: Iterable[tuple[int, int, int, int, int]]
) -> list[Byte]:
    """What each read in a row of events (`Event`) gives, in order, and which bits the sheet
    decides.
    """
    return [given for _, _, given in _go_through(make, way, events) if given is not None]


def kept_bytes(
    make: Callable[[str], Sheet], events: Iterable[tuple[int, int, int, int, int]]
) -> list[tuple[int, int, int, int]]:
    """Cycle, register, byte and known bits of each change of what the registers that keep what
    they are given (`Sheet.KEPT`) would give if they were looked at, of events (`Event`) in order.
    """
    shown: dict[int, Byte] = {}
    found = []
    for chip, cycle, _ in _go_through(make, "", events):
        for offset in chip.KEPT:
            now = chip.read(offset, cycle)
            if now != shown.get(offset, _UNKNOWN):
                shown[offset] = now
                found.append((cycle, offset, *now))
    return found


def asking_spans(
    make: Callable[[str], Sheet], events: Iterable[tuple[int, int, int, int, int]], end: int
) -> list[tuple[int, int]]:
    """First cycle, and cycle after the last, of each time in which a chip surely pulls IRQ, of
    events (`Event`) in order up to cycle `end`.
    """
    spans: list[tuple[int, int]] = []

    def add(first: int | None, until: int) -> None:
        if first is None or first >= until:
            return
        if spans and first <= spans[-1][1] + 1:  # an access that did not take the request away
            first = spans.pop()[0]
        spans.append((first, until))

    since = None
    for chip, cycle, _ in _go_through(make, "", events):
        add(since, cycle)
        since = chip.asks_from(cycle + 1)
    add(since, end)
    return spans


def _go_through(
    make: Callable[[str], Sheet], way: str, events: Iterable[tuple[int, int, int, int, int]]
) -> Iterator[tuple[Sheet, int, Byte | None]]:
    """The chip after each event, the cycle, and what a read gave."""
    chip = make(way)
    for cycle, what, offset, byte, known in events:
        given = None
        if what == READ:
            given = chip.read(offset, cycle)
        elif what == WRITE:
            if way != "deaf":
                chip.write(offset, (byte & known, known), cycle)
        elif what == RESET:
            chip.reset()
        elif what == LOSE_COUNT:
            chip.lose_count()
        else:
            chip = make(way)
        yield chip, cycle, given


def _put(old: Byte, given: Byte, mask: int) -> Byte:
    """Some bits of a byte replaced."""
    return old[0] & ~mask | given[0] & mask, old[1] & ~mask | given[1] & mask


def _bit(byte: Byte, bit: int) -> int | None:
    return byte[0] >> bit & 1 if byte[1] >> bit & 1 else None


def _between(lowest: int, highest: int) -> tuple[int, int]:
    """Bits that all numbers from one to another share, and which these are, of 16."""
    shared = 0xFFFF & ~((1 << (lowest ^ highest).bit_length()) - 1)
    return lowest & shared, shared


class _Timeout:
    """A counter that sets a flag when it has run out."""

    def __init__(self, stands_still: bool = False) -> None:
        self._stands_still = stands_still
        self._due: int | None = None
        self._flag: int | None = None
        self._may_come = True  # at any time, for all that is known
        self._perhaps_cleared = False  # by an access just when it comes

    def start(self, due: int | None) -> None:
        """The flag goes away, and comes in cycle `due`; None where that is not known."""
        self._due = None if self._stands_still else due
        self._flag = 0 if due is not None or self._stands_still else None
        self._may_come = due is None and not self._stands_still
        self._perhaps_cleared = False

    def lose(self) -> None:
        """When it runs out is not known any more."""
        if self._due is not None:
            self._due, self._may_come = None, True
        if self._may_come and self._flag == 0:
            self._flag = None

    def settle(self, cycle: int, period: int | None, slack: int = SLACK) -> None:
        """Go on to a cycle. It starts again by itself every `period` cycles: 0 for never, None
        where that is not known.
        """
        if self._due is None or cycle <= self._due + slack:
            return
        again = period is not None and 0 < period < cycle - slack - self._due
        self._flag = None if self._perhaps_cleared and not again else 1
        self._perhaps_cleared = False
        if period is None or 0 < period <= 2 * slack + 2:
            self._due, self._may_come = None, True
        elif period:
            self._due += period * -(-(cycle - slack - self._due) // period)
        else:
            self._due = None

    def unsure(self, cycle: int, slack: int = SLACK) -> bool:
        """Whether it may run out just now."""
        return self._may_come or (self._due is not None and abs(cycle - self._due) <= slack)

    def flag(self, cycle: int, slack: int = SLACK) -> int | None:
        """Level of the flag in a cycle, None where that is not known."""
        return None if self._flag != 1 and self.unsure(cycle, slack) else self._flag

    def clear(self, cycle: int, slack: int = SLACK) -> None:
        """The flag is taken away."""
        unsure = self.unsure(cycle, slack)
        self._flag = None if unsure else 0
        self._perhaps_cleared = unsure and self._due is not None

    def doubt(self) -> None:
        """The flag may have been taken away."""
        self._flag = None if self._flag else self._flag

    def set_from(self, cycle: int, slack: int = SLACK) -> int | None:
        """Cycle, this one or a later one, from which the flag is surely set if all goes on."""
        if self._flag == 1:
            return cycle
        if self._due is None or self._perhaps_cleared:
            return None
        return max(cycle, self._due + slack + 1)

    def left(self, cycle: int) -> int | None:
        """Cycles until it runs out, None where that is not known."""
        if self._due is None or cycle >= self._due - SLACK:
            return None
        return self._due - cycle


class PortTimer:
    """A 6522: two ports, two timers, control and flag registers.

    Decided: DDRs, ORB, latches, ACR, PCR and IER read back what was written, after RES 0; port B's
    output bits come from its latch, port A's from the pins, so only the low ones are sure (a load
    may pull a high one down); a timer counts down by one a cycle from the write of its high byte,
    and its flag comes N + 1.5 cycles later; IFR bit 7 is any flag that is enabled. IER bit 7 reads
    1 by most sheets, 0 by an early one: not decided. The flags of CA, CB and the shift register
    come from outside, and RES leaves timers and latches alone.
    """

    _B, _A, _DDR_B, _DDR_A, _T1_LOW, _T1_HIGH, _L1_LOW, _L1_HIGH, _T2_LOW, _T2_HIGH = range(10)
    _ACR, _PCR, _IFR, _IER, _A_PLAIN = 0xB, 0xC, 0xD, 0xE, 0xF
    _HELD = (_B, _A, _DDR_B, _DDR_A, _ACR, _PCR, _IER)
    _T1_BIT, _T2_BIT = 6, 5
    KEPT: tuple[int, ...] = (*_HELD, _L1_LOW, _L1_HIGH, _A_PLAIN)

    def __init__(self, way: str) -> None:
        self._no_flags = way == "status"
        self._held: dict[int, Byte] = dict.fromkeys(self._HELD, _UNKNOWN)
        self._latch_1 = [_UNKNOWN, _UNKNOWN]
        self._latch_2 = _UNKNOWN
        self._first, self._second = (_Timeout(way == "timer") for _ in range(2))

    def reset(self) -> None:
        """All is 0 but timers, their latches and the shift register."""
        self._held = dict.fromkeys(self._HELD, (0, 0xFF))
        self._first.start(None)
        self._second.start(None)

    def lose_count(self) -> None:
        """The counters go on from where nobody knows."""
        self._first.lose()
        self._second.lose()

    def _settle(self, cycle: int) -> None:
        free_running = _bit(self._held[self._ACR], 6)
        period = None if free_running is None else 0
        if free_running:
            period = self._loaded(*self._latch_1)
        self._first.settle(cycle, period)
        self._second.settle(cycle, 0)

    @staticmethod
    def _loaded(low: Byte, high: Byte) -> int | None:
        """Cycles from a start with these bytes to the flag."""
        return low[0] + (high[0] << 8) + 2 if low[1] & high[1] == 0xFF else None

    def read(self, offset: int, cycle: int) -> Byte:
        """What register `offset` gives in a cycle."""
        self._settle(cycle)
        acr = self._held[self._ACR]
        if offset in (self._A, self._A_PLAIN):
            low = self._outputs(self._A, self._DDR_A)
            return (0, low[1] & ~low[0]) if _bit(acr, 0) == 0 else _UNKNOWN
        if offset == self._B:
            byte, known = self._outputs(self._B, self._DDR_B)
            # With ACR bit 7 timer 1 has PB7.
            return (byte, known) if _bit(acr, 7) == 0 else (byte & 0x7F, known & 0x7F)
        if offset in (self._L1_LOW, self._L1_HIGH):
            return self._latch_1[offset - self._L1_LOW]
        if offset in (self._T1_LOW, self._T1_HIGH, self._T2_LOW, self._T2_HIGH):
            return self._counter(offset, cycle)
        if offset == self._IFR:
            return self._flags(cycle)
        byte, known = self._held.get(offset, _UNKNOWN)
        return (byte, known & 0x7F) if offset == self._IER else (byte, known)

    def _outputs(self, port: int, directions: int) -> Byte:
        out, ways = self._held[port], self._held[directions]
        driven = ways[0] & ways[1] & out[1]
        return out[0] & driven, driven

    def _counter(self, offset: int, cycle: int) -> Byte:
        timer = self._first if offset < self._T2_LOW else self._second
        left = timer.left(cycle)
        low = offset in (self._T1_LOW, self._T2_LOW)
        if low:
            timer.clear(cycle)
        if left is None:
            return _UNKNOWN
        # N is there in the cycle after the write, and the flag N + 2 after it.
        count, known = _between(max(left - 1 - SLACK, 0), min(left - 1 + SLACK, 0xFFFF))
        return (count & 0xFF, known & 0xFF) if low else (count >> 8, known >> 8)

    def _flags(self, cycle: int) -> Byte:
        if self._no_flags:
            return 0, 1 << 7 | 1 << self._T1_BIT | 1 << self._T2_BIT
        levels: list[int | None] = [None] * 7
        levels[self._T1_BIT] = self._first.flag(cycle)
        levels[self._T2_BIT] = self._second.flag(cycle)
        enabled = [_bit(self._held[self._IER], bit) for bit in range(7)]
        pairs = list(zip(levels, enabled, strict=True))
        known = sum(1 << bit for bit, level in enumerate(levels) if level is not None)
        byte = sum(1 << bit for bit, level in enumerate(levels) if level)
        if (1, 1) in pairs:
            return byte | 0x80, known | 0x80
        if all(0 in pair for pair in pairs):
            known |= 0x80
        return byte, known

    def write(self, offset: int, given: Byte, cycle: int) -> None:
        """A register is given a byte."""
        self._settle(cycle)
        if offset in (self._T1_LOW, self._L1_LOW):
            self._change_first(cycle)
            self._latch_1[0] = given
        elif offset == self._L1_HIGH:
            self._change_first(cycle)
            self._latch_1[1] = given
            self._first.doubt()  # the flag is taken away by most sheets, by some not
        elif offset == self._T1_HIGH:
            self._latch_1[1] = given
            wait = self._loaded(*self._latch_1)
            self._first.start(None if wait is None else cycle + wait)
        elif offset == self._T2_LOW:
            self._latch_2 = given
        elif offset == self._T2_HIGH:
            wait = self._loaded(self._latch_2, given)
            counts = _bit(self._held[self._ACR], 5) == 0 and wait is not None
            self._second.start(cycle + (wait or 0) if counts else None)
        elif offset == self._IFR:
            for timer, bit in ((self._first, self._T1_BIT), (self._second, self._T2_BIT)):
                if not given[1] >> bit & 1:
                    timer.doubt()
                elif given[0] >> bit & 1:
                    timer.clear(cycle)
        elif offset == self._IER:
            self._enable(given)
        elif offset == self._ACR:
            self._change_first(cycle)
            if given[0] & 0x20 or not given[1] & 0x20:
                self._second.lose()
            self._held[offset] = given
        elif offset in (self._A, self._A_PLAIN):
            self._held[self._A] = given
        elif offset in self._held:
            self._held[offset] = given

    def asks_from(self, cycle: int) -> int | None:
        """From when on a timer whose interrupt is enabled has run out."""
        enabled = self._held[self._IER]
        pairs = ((self._first, self._T1_BIT), (self._second, self._T2_BIT))
        asked = [timer.set_from(cycle) for timer, bit in pairs if _bit(enabled, bit)]
        return min((at for at in asked if at is not None), default=None)

    def _change_first(self, cycle: int) -> None:
        """What timer 1 goes on with changes; just when it starts again, who comes first is open."""
        if self._first.unsure(cycle):
            self._first.lose()

    def _enable(self, given: Byte) -> None:
        """Bits that are 1 are set or cleared, as bit 7 says."""
        chosen = given[0] & 0x7F
        perhaps = ~given[1] & 0x7F
        level = _bit(given, 7)
        enabled = _put(self._held[self._IER], (0xFF if level else 0, 0xFF), chosen)
        if level is None:
            perhaps |= chosen
        self._held[self._IER] = enabled[0] & ~perhaps, enabled[1] & ~perhaps


class PortInterval:
    """A 6532: two ports and a timer; its RAM is memory beside it.

    Registers by A4 to A0. Decided: DDRs read back what was written, after RES 0; port B's output
    bits come from its latch, port A's from the pins, so only the low ones are sure; a timer that
    was started with N at a step of 1, 8, 64 or 1024 cycles sets its flag (bit 7) N steps later.
    Once the flag was taken away its next coming is open. A3 in a start or a read of the timer lets
    it ask for interrupts.
    """

    _STEPS = (1, 8, 64, 1024)
    KEPT: tuple[int, ...] = tuple(offset for offset in range(32) if not offset & 0x04)

    def __init__(self, way: str) -> None:
        self._no_flag = way == "status"
        self._out = [_UNKNOWN, _UNKNOWN]
        self._directions = [_UNKNOWN, _UNKNOWN]
        self._timer = _Timeout(way == "timer")
        self._step = 1
        self._enabled = False  # surely

    def reset(self) -> None:
        """All pins are inputs; the timer runs on."""
        self._out = [(0, 0xFF), (0, 0xFF)]
        self._directions = [(0, 0xFF), (0, 0xFF)]
        self._enabled = False

    def lose_count(self) -> None:
        """The timer goes on from where nobody knows."""
        self._timer.lose()

    @property
    def _slack(self) -> int:
        return SLACK + (self._step if self._step > 1 else 0)

    def read(self, offset: int, cycle: int) -> Byte:
        """What register `offset` gives in a cycle."""
        self._timer.settle(cycle, 0, self._slack)
        if offset & 0x04:
            if offset & 0x01:
                return self._flag(cycle)
            self._enabled = bool(offset & 0x08)
            return self._count(cycle)
        port = offset >> 1 & 1
        if offset & 0x01:
            return self._directions[port]
        ways, out = self._directions[port], self._out[port]
        driven = ways[0] & ways[1] & out[1]
        return (out[0] & driven, driven) if port else (0, driven & ~out[0])

    def _flag(self, cycle: int) -> Byte:
        level = 0 if self._no_flag else self._timer.flag(cycle, self._slack)
        return _UNKNOWN if level is None else (level << 7, 0x80)

    def _count(self, cycle: int) -> Byte:
        left = self._timer.left(cycle)
        if self._timer.flag(cycle, self._slack) != 0:
            self._timer.start(None)  # taken away; it counts on and may come again
        if left is None:
            return _UNKNOWN
        steps = -(-(left - 1) // self._step)
        count, known = _between(max(steps - 1 - SLACK, 0), min(steps + SLACK, 0xFF))
        return count & 0xFF, known & 0xFF

    def write(self, offset: int, given: Byte, cycle: int) -> None:
        """A register is given a byte; with A4 and A2 high it starts the timer."""
        if offset & 0x04:
            if offset & 0x10:
                self._step = self._STEPS[offset & 3]
                self._enabled = bool(offset & 0x08)
                sure = given[1] == 0xFF
                self._timer.start(cycle + given[0] * self._step + 1 if sure else None)
        elif offset & 0x01:
            self._directions[offset >> 1 & 1] = given
        else:
            self._out[offset >> 1 & 1] = given

    def asks_from(self, cycle: int) -> int | None:
        """From when on the timer has run out, where it may ask."""
        return self._timer.set_from(cycle, self._slack) if self._enabled else None


class _OwnRate:
    """A chip whose rate is not the bus's: when it asks for an interrupt is not decided."""

    def lose_count(self) -> None:
        """Nothing was counted."""

    def asks_from(self, cycle: int) -> int | None:
        """Not decided."""
        return None


class SerialPort(_OwnRate):
    """A 6551: data, status, command, control at 0 to 3.

    Decided: command and control read back what was written, after RES 0 (bit 1 of the command is 0
    by one maker and 1 by another); the transmitter is empty (status bit 4) from RES until it is
    given a byte. A write to the status resets bits 4 to 0 of the command.
    """

    _DATA, _STATUS, _COMMAND, _CONTROL = range(4)
    _EMPTY = 0x10
    KEPT: tuple[int, ...] = (_COMMAND, _CONTROL)

    def __init__(self, way: str) -> None:
        self._never_empty = way == "status"
        self._command = self._control = _UNKNOWN
        self._empty = False

    def reset(self) -> None:
        """Transmitter and receiver stop."""
        self._command, self._control = (0, 0xFD), (0, 0xFF)
        self._empty = True

    def read(self, offset: int, cycle: int) -> Byte:
        """What register `offset` gives."""
        if offset == self._COMMAND:
            return self._command
        if offset == self._CONTROL:
            return self._control
        if offset == self._STATUS and self._never_empty:
            return 0, self._EMPTY
        known = self._EMPTY if offset == self._STATUS and self._empty else 0
        return known, known

    def write(self, offset: int, given: Byte, cycle: int) -> None:
        """A register is given a byte."""
        if offset == self._DATA:
            self._empty = False
        elif offset == self._STATUS:
            self._command = _put(self._command, (0, 0x1D), 0x1F)
        elif offset == self._COMMAND:
            self._command = given
        else:
            self._control = given


class ScreenTiming(_OwnRate):
    """A 6545 or 6845: the register that is chosen at 0, its byte at 1.

    Decided: the cursor's place (registers 14, of six bits, and 15) reads back what was written.
    What the others give, and what 0 gives, differs by the maker.
    """

    _READABLE = (14, 15)
    KEPT: tuple[int, ...] = (1,)

    def __init__(self, way: str) -> None:
        self._chosen: int | None = None
        self._held = {14: _UNKNOWN, 15: _UNKNOWN}

    def reset(self) -> None:
        """RES leaves the registers alone."""

    def read(self, offset: int, cycle: int) -> Byte:
        """What register `offset` gives."""
        if offset == 0 or self._chosen not in self._READABLE:
            return _UNKNOWN
        return self._held[self._chosen]

    def write(self, offset: int, given: Byte, cycle: int) -> None:
        """Choose a register, or give it a byte."""
        if offset == 0:
            self._chosen = given[0] & 0x1F if given[1] & 0x1F == 0x1F else None
        elif self._chosen is None:
            self._held = {14: _UNKNOWN, 15: _UNKNOWN}
        elif self._chosen in self._READABLE:
            mask = 0x3F if self._chosen == 14 else 0xFF
            self._held[self._chosen] = given[0] & mask, given[1] & mask


_PARTS = (
    _Known(
        r"65C?22",
        16,
        PortTimer,
        (1, 2, 3),
        (
            *("IRB", "IRA", "DDRB", "DDRA", "T1C-L", "T1C-H", "T1L-L", "T1L-H", "T2C-L", "T2C-H"),
            *("SR", "ACR", "PCR", "IFR", "IER", "IRA"),
        ),
    ),
    _Known(
        r"6532",
        32,
        PortInterval,
        (1, 2, 3),
        ("port A", "DDRA", "port B", "DDRB", "timer", "interrupt flag"),
    ),
    _Known(r"65C?51", 4, SerialPort, (1, 3), ("data", "status", "command", "control")),
    _Known(r"6545|68[AB]?45", 2, ScreenTiming, (1,), ("status", "data")),
)
