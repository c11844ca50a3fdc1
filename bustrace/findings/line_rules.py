"""Rules about single lines: stuck, joined, off the clip, not exercised."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import numpy.typing as npt

from bustrace.findings._kernels import BUS, HIGH_WINS, LOW_WINS, RAM, READS, ROM
from bustrace.findings.answers import HEALTHY, Assumption
from bustrace.findings.control_rules import NO_FETCH
from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import sole_driver, wrong_bits
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.units import count_words, numbered_runs

CODE_PLACES, CODE_BYTES = 48, 16
"""Distinct addresses of a ROM, and different bytes there, of which a program has both levels of
each bit: the rarest is 1 in one byte of five."""

ENOUGH = 4
"""Distinct addresses at which a line must differ from what it should be: one stray sample is one
place, a line is many."""

MOST_WRITES = 16
"""Cycles of R/W low that no CPU makes, with plenty of room."""

MOST_PAIRS = 3
"""Pairs of one bus that three joined lines make."""

SELDOM = 0.02
"""Of the levels in which a clip differs from its own line, the share in which one that sits on
another pin may differ from that pin's, too."""

STRAY_SHARE = 2e-3
"""Of two lines that are alike, the share of cycles that stray samples may show apart."""

CLEAR_BITS = 20.0
"""Bits by which the board's answers must speak for the clip before a line is cleared, and for lines
at fault where few bytes were read."""

FEWEST_PLACES = 16
"""Addresses at which these must have been read: of fewer bytes some lines are alike by chance."""


def _distinct(evidence: Evidence, where: npt.NDArray[np.bool_]) -> int:
    """Addresses; of writes at addresses that are not known, the bytes that the CPU meant."""
    replay, intent = evidence.replay, evidence.reading.program.intent
    unknown = where & (replay.address < 0) & (replay.read == 0)
    unknown &= intent.data_known[: evidence.n] == 0xFF
    addresses = np.unique(replay.address[where & ~unknown])
    return len(addresses) + len(np.unique(intent.data[: evidence.n][unknown]))


def address_lines(evidence: Evidence) -> Iterator[Finding]:
    """An address line does not follow what the CPU meant."""
    cycles, intent, n = evidence.reading.cycles, evidence.reading.program.intent, evidence.n
    for bit, pin in enumerate(ADDRESS_PINS):
        if not evidence.reading.hookup.has(pin):
            continue
        one = np.uint32(1 << bit)
        asked = evidence.owned & (intent.address_known[:n] & one != 0)
        asked &= cycles.address_known[:n] & one != 0
        off = asked & (evidence.address_off >> bit & 1 == 1)
        seen_high = cycles.address[:n] & one != 0
        other = _exchanged_with(evidence, bit) if off.any() else None
        if other is None:
            yield from _line(evidence, pin, asked, off, seen_high)
            continue
        yield _clip_off(
            evidence,
            pin,
            asked,
            off,
            measured=f"{pin} and {other} show each other's level: {int(off.sum()):,} of "
            f"{int(asked.sum()):,} levels differ from what the CPU meant",
            expected="the level that the CPU puts out",
            text=f"{pin} shows the level of {other}, and {other} that of {pin}: their clips are "
            "exchanged.",
        )


def _exchanged_with(evidence: Evidence, bit: int) -> str | None:
    """The line whose level an address clip shows, while that one's clip shows its own: no joint
    and no driver does so to two lines. Both must be met alike and apart.
    """
    cycles, intent, n = evidence.reading.cycles, evidence.reading.program.intent, evidence.n
    shown, meant = cycles.address[:n], intent.address[:n]
    known = cycles.address_known[:n] & intent.address_known[:n]
    for other, name in enumerate(ADDRESS_PINS):
        both = np.uint32(1 << bit | 1 << other)
        asked = evidence.owned & (known & both == both)
        apart = (meant >> bit ^ meant >> other) & 1 == 1
        ways = (asked & apart, asked & ~apart)
        if other == bit or min(_distinct(evidence, way) for way in ways) < ENOUGH:
            continue
        # Apart they change places, alike they keep them.
        odd = (shown ^ meant) & both != np.where(apart, both, np.uint32(0))
        if all(odd[way].mean() <= SELDOM for way in ways):
            return name
    return None


def rw_line(evidence: Evidence) -> Iterator[Finding]:
    """R/W does not follow what the CPU meant."""
    if not evidence.reading.hookup.has("RW"):
        return
    n = evidence.n
    level = evidence.reading.cycles.pin("RW")[:n]
    asked = evidence.owned & (level < 2) & (evidence.reading.program.intent.rw[:n] < 2)
    known = evidence.owned & (level < 2)
    followed = asked.sum() > 0.5 * evidence.live.sum()
    if not followed and known.sum() > MOST_WRITES and not (level[known] == 1).any():
        # No program is needed to tell: interrupts and BRK, with three, write most in a row
        # (MCS6500 Hardware Manual, A.5).
        count = int(known.sum())
        yield Finding(
            rule="line-stuck",
            severity="fault",
            lines=("RW",),
            cycles=evidence.show(known),
            opportunities=count,
            count=count,
            measured=f"RW is 0 in all {count:,} cycles",
            expected="a 6502 never writes in more than three cycles in a row",
            text=f"RW stays 0 in all {count:,} cycles, and no CPU writes all the time.",
        )
        return
    yield from _line(evidence, "RW", asked, asked & evidence.rw_off, level == 1)


def sync_line(evidence: Evidence) -> Iterator[Finding]:
    """SYNC rests while the program runs: nothing but the probe needs it."""
    n = evidence.n
    level = evidence.reading.cycles.pin("SYNC")[:n]
    meant = evidence.reading.program.intent.sync[:n]
    asked = evidence.owned & (level < 2) & (meant < 2)
    off = asked & (level != meant)
    still = len(np.unique(level[asked])) == 1
    if not still or int(off.sum()) < ENOUGH or not (meant[asked & ~off] < 2).any():
        return
    stays = int(level[asked][0])
    yield _clip_off(
        evidence,
        "SYNC",
        asked,
        off,
        measured=f"SYNC stays {stays}, though {int((meant[asked] == 1).sum()):,} opcodes are "
        f"fetched in {int(asked.sum()):,} cycles",
        expected="high in the cycle of each opcode's fetch, low in all others",
        text="SYNC never moves although the program runs: its clip is off, or the CPU's SYNC "
        "output is; few boards use it.",
    )


def sync_without_program(evidence: Evidence) -> Iterator[Finding]:
    """SYNC rests where no program was recovered, as no CPU that runs leaves it: no instruction is
    one cycle long, and none but a running CPU writes.
    """
    cycles, n = evidence.reading.cycles, evidence.n
    level = cycles.pin("SYNC")[:n]
    asked = evidence.owned & evidence.live & (level < 2)
    if (evidence.reading.program.intent.sync[:n] < 2).any() or asked.sum() < NO_FETCH:
        return
    writes = int((cycles.pin("RW")[:n][asked] == 0).sum())
    ready = cycles.pin("RDY")[:n][asked]
    waits = bool((ready == 0).any() if (ready < 2).any() else writes == 0)
    high = bool((level[asked] == 1).all()) and not waits
    if not high and ((level[asked] == 1).any() or writes < ENOUGH):
        return
    seen = f"{'high' if high else 'low'} in all {int(asked.sum()):,} cycles"
    yield _clip_off(
        evidence,
        "SYNC",
        asked,
        asked,
        measured=f"SYNC is {seen}" + ("" if high else f", {writes:,} of them writes"),
        expected="high in the cycle of each opcode's fetch, low in all others",
        text=f"SYNC is {seen}, as no CPU leaves it that runs: its clip is off, or the CPU's SYNC "
        "output is; few boards use it.",
    )


def data_lines(evidence: Evidence) -> Iterator[Finding]:
    """A data line does not follow what the CPU wrote, or what every chip gives."""
    replay, intent, n = evidence.replay, evidence.reading.program.intent, evidence.n
    healthy = replay.healthy
    reads = wrong_bits(evidence)
    for bit, pin in enumerate(DATA_PINS):
        if not evidence.reading.hookup.has(pin):
            continue
        if pin in evidence.reading.program.clips_off:
            yield _data_clip(evidence, bit)
            continue
        seen_high = (replay.data >> bit) & 1 == 1
        known = (replay.data_known >> bit) & 1 == 1
        asked = evidence.owned & known & ((intent.data_known[:n] >> bit) & 1 == 1)
        off = asked & ((evidence.data_off >> bit) & 1 == 1)
        yield from _line(evidence, pin, asked, off, seen_high, "writes")
        asked = evidence.owned & known & (evidence.replay.read == 1) & (healthy.drivers != 0)
        asked &= (healthy.expected_known >> bit) & 1 == 1
        off = asked & ((reads >> bit) & 1 == 1)
        level = seen_high[asked]
        if len(level) and (level.all() or not level.any()):
            yield from _line(evidence, pin, asked, off, seen_high, "reads")
        yield from _rests_in_code(evidence, bit)


def _rests_in_code(evidence: Evidence, bit: int) -> Iterator[Finding]:
    """A data line at one level in all that a ROM without an image gave, or such ROMs and RAM
    together: no program is like that, nor what RAM holds at power-on.
    """
    replay, program = evidence.replay, evidence.reading.program
    level = replay.data >> bit & 1
    known = evidence.owned & (replay.data_known >> bit & 1 == 1)
    # A line that never moves, and a program that is not followed: rather the clip.
    moves = not one_level(level[known])
    followed = program.method != "none" and program.lost_at is None
    if not (moves or followed):
        return
    resting = [c for c in _code(evidence, 1 << bit) if c[0].any() and one_level(level[c[0]])]
    telling = [c for c in resting if _enough(evidence, c[0], c[2])]
    # Where few bytes tell, those of all memory tell more.
    for reads, among, places in telling[:1] or reversed(resting):
        pin, count, shown = DATA_PINS[bit], int(reads.sum()), int(level[reads][0])
        held = _held(evidence, bit, shown, among)
        if not (telling or _speaks_for(evidence, places, held)):
            continue
        where = f"in all {count:,} reads of {numbered_runs(among)}, at "
        where += count_words(places, "address", "addresses")
        yield Finding(
            rule="line-stuck",
            severity="fault",
            lines=(pin,),
            chips=among if len(among) == 1 else (),
            cycles=evidence.show(reads),
            opportunities=count,
            count=count,
            measured=f"{shown} {where} with {len(np.unique(replay.data[reads]))} different bytes",
            expected="both levels: no program and no table has one bit the same throughout",
            text=f"{pin} is {shown} {where}: no program is like that.",
        )
        return


def _held(evidence: Evidence, bit: int, level: int, chips: tuple[str, ...]) -> Assumption:
    """A data line at one level in the reads of one chip, or of all."""
    low, high = (0xFF, 1 << bit) if level else (0xFF & ~(1 << bit), 0)
    if len(chips) > 1:
        return Assumption(read_and=low, read_or=high)
    chip = evidence.replay.chips.index(chips[0])
    return Assumption(data_pin_chip=chip, data_pin_and=low, data_pin_or=high)


def _code(
    evidence: Evidence, lines: int
) -> Iterator[tuple[npt.NDArray[np.bool_], tuple[str, ...], int]]:
    """Reads that show some data lines of each ROM without an image, and of all such ROMs and RAM
    together; the chips, and at how many addresses that were not written before.
    """
    replay = evidence.replay
    known = evidence.owned & evidence.live & (replay.data_known & lines == lines)
    wired = [chip for chip in range(len(replay.chips)) if replay.lanes[chip] & lines == lines]
    roms = [c for c in wired if replay.kind[c] == ROM and not replay.has_image(replay.chips[c])]
    memory = [*roms, *(chip for chip in wired if replay.kind[chip] == RAM)]
    unwritten = _not_written_before(evidence)
    for among in (*([chip] for chip in roms), *([memory] if roms else ())):
        reads = known & np.any([sole_driver(evidence, c) for c in among], axis=0)
        yield (
            reads,
            tuple(replay.chips[chip] for chip in among),
            _distinct(evidence, reads & unwritten),
        )


def _enough(evidence: Evidence, reads: npt.NDArray[np.bool_], places: int) -> bool:
    """Whether reads show so much that any program would have shown both levels of each bit."""
    return places >= CODE_PLACES and len(np.unique(evidence.replay.data[reads])) >= CODE_BYTES


def _speaks_for(evidence: Evidence, places: int, assumption: Assumption) -> bool:
    """Whether the bytes are so much likelier with these lines at fault that fewer of them tell."""
    replay = evidence.replay
    if places < FEWEST_PLACES:
        return False
    return replay.healthy.total - replay.replay(assumption).total > CLEAR_BITS


def _not_written_before(evidence: Evidence) -> npt.NDArray[np.bool_]:
    """Cycles at addresses to which the CPU did not write before."""
    address, n = evidence.replay.address, evidence.n
    first = np.full(0x10000, n)
    writes = np.flatnonzero((address >= 0) & (evidence.replay.read == 0))
    np.minimum.at(first, address[writes], writes)
    unwritten: npt.NDArray[np.bool_] = (address >= 0) & (first[address] >= np.arange(n))
    return unwritten


def _data_clip(evidence: Evidence, bit: int) -> Finding:
    """A data line whose captured level the program contradicts."""
    cycles, healthy, n = evidence.reading.cycles, evidence.replay.healthy, evidence.n
    pin = DATA_PINS[bit]
    level = cycles.data[:n] >> bit & 1
    asked = evidence.owned & (cycles.data_known[:n] >> bit & 1 == 1)
    asked &= healthy.expected_known >> bit & 1 == 1
    off = asked & (healthy.expected >> bit & 1 != level)
    rests = not (level != level[0]).any()
    how = f"reads {int(level[0])} throughout" if rests else "shows other levels"
    says = "never moves" if rests else "does not show the chips' levels"
    return _clip_off(
        evidence,
        pin,
        asked,
        off,
        measured=f"{pin} {how}, against the chips in {int(off.sum()):,} cycles, and the program "
        "runs as though it showed theirs",
        expected="a line that moves with the program",
        text=f"{pin} {says} although the program runs as though it did: the clip is off, not the "
        "line.",
    )


def _data_high(evidence: Evidence, pin: str) -> npt.NDArray[np.bool_]:
    """Levels of a data line wherever it was captured."""
    cycles, bit = evidence.reading.cycles, int(pin[1:])
    known = cycles.data_known >> bit & 1 == 1
    high: npt.NDArray[np.bool_] = (cycles.data >> bit & 1 == 1)[known]
    return high


def _line(
    evidence: Evidence,
    pin: str,
    asked: npt.NDArray[np.bool_],
    off: npt.NDArray[np.bool_],
    seen_high: npt.NDArray[np.bool_],
    during: str = "",
) -> Iterator[Finding]:
    """One line's disagreements: stuck, or now and then, or a stray sample or two."""
    count, opportunities = int(off.sum()), int(asked.sum())
    if not count:
        return
    level = int(seen_high[np.flatnonzero(off)[0]])
    one_sided = not (seen_high[off] != bool(level)).any()
    still = not (seen_high[asked] != bool(level)).any()
    places = _distinct(evidence, off)
    where = f" in {during}" if during else ""
    wanted = int((asked & (seen_high != bool(level))).sum()) + count
    # Never anything else, in reads neither, and each time that the program asked for it.
    rests = during == "writes" and one_level(_data_high(evidence, pin)) and count == wanted
    if (places < ENOUGH and not (rests and count >= ENOUGH)) or not one_sided:
        if places >= ENOUGH and pin in ADDRESS_PINS:
            other = _shows_another(evidence, pin, asked)
            if other is not None:
                yield _clip_off(
                    evidence,
                    pin,
                    asked,
                    off,
                    measured=f"{pin} shows the level of {other}: {count:,} of {opportunities:,} "
                    "levels differ from what the CPU meant, yet the chips answered as meant",
                    expected="the level that the CPU puts out",
                    text=f"{pin} shows the level of {other}, and the program ran as though {pin} "
                    "were right: it is the clip, not the line.",
                )
                return
        if places < ENOUGH and count < ENOUGH:
            severity, rule = "note", "stray-level"
        else:
            severity, rule = "oddity", "line-disagrees"
        yield Finding(
            rule=rule,
            severity="oddity" if severity == "oddity" else "note",
            lines=(pin,),
            cycles=evidence.show(off),
            opportunities=opportunities,
            count=count,
            measured=f"{count:,} of {opportunities:,} levels{where} differ",
            expected="the level that the program implies",
            text=f"{pin} differs from what the program implies in {count:,} of {opportunities:,} "
            f"cycles{where}.",
        )
        return
    always = still and count == wanted
    # A data line that moves in reads has its clip on, whatever it does in writes.
    moves = bool(during) and (_data_high(evidence, pin) != bool(level)).any()
    clip = during != "reads" and not moves and _only_the_clip(evidence, pin, level)
    if clip:
        yield _clip_off(
            evidence,
            pin,
            asked,
            off,
            measured=f"{pin} reads {level} in {count:,} cycles{where} in which the CPU meant "
            f"{1 - level}, yet the chips answered as meant",
            expected=f"{1 - level} in these cycles",
            text=f"{pin} reads {level} although the program ran as though it moved: the clip is "
            "off, not the line.",
        )
        return
    yield Finding(
        rule="line-stuck" if always else "line-fails",
        severity="fault",
        lines=(pin,),
        cycles=evidence.show(off),
        opportunities=wanted,
        count=count,
        measured=f"{pin} is {level} in {count:,} of the {wanted:,} cycles{where} that want "
        f"{1 - level}, at {count_words(places, 'address', 'addresses')}",
        expected=f"{1 - level} in these cycles",
        text=f"{pin} {'stays' if always else 'is too often'} {level}{where}: {count:,} of "
        f"{wanted:,} times it should be {1 - level}.",
    )


def _shows_another(evidence: Evidence, pin: str, asked: npt.NDArray[np.bool_]) -> str | None:
    """What an address clip shows instead of its line, where the chips answered as the CPU meant:
    another line's level, or its own line's, inverted; None where neither fits.
    """
    replay, n = evidence.replay, evidence.n
    told = (replay.read == 1) & (replay.healthy.expected_known == 0xFF) & (replay.address >= 0)
    if told.sum() < ENOUGH or (wrong_bits(evidence)[told] != 0).mean() > SELDOM:
        return None
    cycles, bit = evidence.reading.cycles, ADDRESS_PINS.index(pin)
    shown = cycles.address[:n][asked] >> bit & 1
    meant = evidence.reading.program.intent.address[:n][asked]
    off = (meant >> bit & 1) != shown
    if (~off).mean() <= SELDOM:
        return f"{pin} inverted"
    for other, name in enumerate(ADDRESS_PINS):
        if ((meant >> other & 1) != shown).sum() <= SELDOM * off.sum():
            return name
    return None


def _clip_off(
    evidence: Evidence,
    pin: str,
    asked: npt.NDArray[np.bool_],
    off: npt.NDArray[np.bool_],
    *,
    measured: str,
    expected: str,
    text: str,
) -> Finding:
    """A line that only its clip shows wrong."""
    return Finding(
        rule="clip-off",
        severity="oddity",
        lines=(pin,),
        cycles=evidence.show(off),
        opportunities=int(asked.sum()),
        count=int(off.sum()),
        measured=measured,
        expected=expected,
        text=text,
    )


def _only_the_clip(evidence: Evidence, pin: str, level: int) -> bool:
    """Whether the chips answered as though the line moved: then only the probe is off. A line that
    is joined with another rests, too, where the program seldom has both at the other level.
    """
    joined: list[Assumption] = []
    if pin == "RW":
        clip_only = HEALTHY._replace(rw_clip=level)
        for_all = HEALTHY._replace(rw_clip=level, rw_seen=level)
    elif pin in ADDRESS_PINS:
        bit = ADDRESS_PINS.index(pin)
        low, high = (0xFFFF & ~(1 << bit), 0) if level == 0 else (0xFFFF, 1 << bit)
        clip_only = Assumption(clip_and=low, clip_or=high)
        for_all = Assumption(
            clip_and=low, clip_or=high, chips_and=low, chips_or=high, decoder_and=low,
            decoder_or=high,
        )  # fmt: skip
        wins = HIGH_WINS if level else LOW_WINS
        joined = [
            Assumption(short_a=bit, short_b=other, short_place=BUS, short_wins=wins)
            for other in range(evidence.reading.board.address_mask.bit_length())
            if other != bit
        ]
    else:
        bit = DATA_PINS.index(pin)
        low, high = (0xFF & ~(1 << bit), 0) if level == 0 else (0xFF, 1 << bit)
        clip_only = Assumption(write_clip_and=low, write_clip_or=high)
        for_all = Assumption(
            write_clip_and=low, write_clip_or=high, write_and=low, write_or=high, read_and=low,
            read_or=high,
        )  # fmt: skip
    only = evidence.replay.replay(clip_only).total
    return all(
        evidence.replay.replay(everyone).total - only > CLEAR_BITS
        for everyone in (for_all, *joined)
    )


def lines_together(evidence: Evidence) -> Iterator[Finding]:
    """Two lines always have the same level although they should differ."""
    cycles, intent, n = evidence.reading.cycles, evidence.reading.program.intent, evidence.n
    replay, healthy = evidence.replay, evidence.replay.healthy
    in_read = (evidence.replay.read == 1) & (healthy.drivers != 0)
    wanted_data = np.where(in_read, healthy.expected, intent.data[:n])
    wanted_known = np.where(in_read, healthy.expected_known, intent.data_known[:n])
    data = _pairs(
        evidence,
        DATA_PINS,
        replay.data,
        replay.data_known,
        wanted_data,
        wanted_known,
    )
    yield from data or _alike_in_code(evidence)
    yield from _pairs(
        evidence,
        ADDRESS_PINS,
        cycles.address[:n],
        cycles.address_known[:n],
        intent.address[:n],
        intent.address_known[:n],
    )


def _alike_in_code(evidence: Evidence) -> list[Finding]:
    """Two data lines alike in all that a ROM without an image gave: no program is like that, and
    where nobody knows its bytes nothing else wants the lines different. Where the CPU does not go
    by them, a clip sits on its neighbour's pin.
    """
    replay, program, found = evidence.replay, evidence.reading.program, []
    if program.method == "none" or program.lost_at is not None:
        return []
    roms = [c for c in range(len(replay.chips)) if replay.kind[c] == ROM]
    reads = [evidence.live & sole_driver(evidence, c) for c in roms]
    given = [np.unique(replay.data[r & (replay.data_known == 0xFF)]) for r in reads]
    for a, b in combinations(range(len(DATA_PINS)), 2):
        if all(((byte >> a ^ byte >> b) & 1).any() for byte in given):
            continue  # as nearly always, and soon told
        differ = (replay.data >> a ^ replay.data >> b) & 1 == 1
        for code, among, places in _code(evidence, 1 << a | 1 << b):
            if (differ & code).any() or one_level(replay.data[code] >> a & 1):
                continue
            joined = Assumption(data_short_a=a, data_short_b=b, data_short_place=READS)
            if not (_enough(evidence, code, places) or _speaks_for(evidence, places, joined)):
                continue
            count, pins = int(code.sum()), (DATA_PINS[a], DATA_PINS[b])
            where = f"in all {count:,} reads of {numbered_runs(among)}, at "
            where += count_words(places, "address", "addresses")
            found.append(
                Finding(
                    rule="lines-together",
                    severity="fault",
                    lines=pins,
                    chips=among if len(among) == 1 else (),
                    cycles=evidence.show(code),
                    opportunities=count,
                    count=count,
                    measured=f"equal {where} with {len(np.unique(replay.data[code]))} different "
                    "bytes",
                    expected="different levels in a part of them: no program and no table has two "
                    "bits alike throughout",
                    text=f"{pins[0]} and {pins[1]} are alike {where}: no program is like that.",
                )
            )
            break
    return found if len(found) <= MOST_PAIRS else []


def data_clip_beside(evidence: Evidence) -> Iterator[Finding]:
    """Two data lines alike in all that was seen of a program that cannot be followed: it reads
    something else, so that one clip sits on the other's pin. Of joined lines it would go by them.
    """
    program = evidence.reading.program
    if program.method != "none" and program.lost_at is None:
        return
    cycles, n = evidence.reading.cycles, evidence.n
    seen = evidence.live & (cycles.data_known[:n] == 0xFF)
    count, alike = int(seen.sum()), []
    bytes_seen, times = np.unique(cycles.data[:n][seen], return_counts=True)
    for a, b in combinations(range(len(DATA_PINS)), 2):
        apart = (bytes_seen >> a ^ bytes_seen >> b) & 1 == 1
        high = bytes_seen[~apart] >> a & 1
        rich = min(int((high == level).sum()) for level in (0, 1)) >= CODE_BYTES
        if rich and times[apart].sum() <= STRAY_SHARE * count:
            alike.append((DATA_PINS[a], DATA_PINS[b]))
    if len(alike) != 1:
        return
    one, other = alike[0]
    yield Finding(
        rule="clip-off",
        severity="oddity",
        lines=(one, other),
        cycles=evidence.show(seen),
        opportunities=count,
        count=count,
        measured=f"{one} and {other} show one level in all {count:,} reads and writes, with "
        f"{len(bytes_seen)} different bytes, and the CPU does not go by them",
        expected="different levels in a part of them",
        text=f"{one} and {other} show the same level throughout, and the CPU does not go by it: "
        "the clip of one of them sits on the other's pin.",
    )


def _pairs(
    evidence: Evidence,
    pins: tuple[str, ...],
    seen: npt.NDArray[np.integer],
    seen_known: npt.NDArray[np.integer],
    wanted: npt.NDArray[np.integer],
    wanted_known: npt.NDArray[np.integer],
) -> list[Finding]:
    rows = evidence.owned
    found = []
    for a in range(len(pins)):
        for b in range(a + 1, len(pins)):
            if not evidence.reading.hookup.has(pins[a], pins[b]):
                continue
            both = (1 << a) | (1 << b)
            asked = rows & (seen_known & both == both) & (wanted_known & both == both)
            asked &= (wanted >> a) & 1 != (wanted >> b) & 1
            if asked.sum() < ENOUGH or _distinct(evidence, asked) < ENOUGH:
                continue
            differ = (seen >> a) & 1 != (seen >> b) & 1
            if (asked & differ).any():
                continue
            off = [int((asked & ((seen ^ wanted) >> bit & 1 == 1)).sum()) for bit in (a, b)]
            if min(off) < ENOUGH // 2:
                continue  # only one of them is ever wrong: that line is stuck, not joined
            if any(one_level((seen[rows] >> bit) & 1) for bit in (a, b)):
                continue
            count = int(asked.sum())
            low = not ((seen[asked] >> a) & 1).any()
            found.append(
                Finding(
                    rule="lines-together",
                    severity="fault",
                    lines=(pins[a], pins[b]),
                    cycles=evidence.show(asked),
                    opportunities=count,
                    count=count,
                    measured=f"equal in all {count:,} cycles that want them different"
                    + (", low each time" if low else ""),
                    expected="different levels in these cycles",
                    text=f"{pins[a]} and {pins[b]} move as one"
                    + (": when one is low both are." if low else "."),
                )
            )
    # A bus that nobody drives has many lines alike; that is no short.
    return found if len(found) <= MOST_PAIRS else []


def one_level(level: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> bool:
    """Whether a line, 0 or 1 in each cycle, never moved."""
    return bool(level.all() or not level.any())


def still_text(lines: tuple[str, ...]) -> str:
    """The sentence about lines that were not exercised."""
    return f"Never moved: {', '.join(lines)}. That proves neither good nor bad."


def still_lines(evidence: Evidence) -> Iterator[Finding]:
    """Lines that never move and that nothing asked to move: not exercised."""
    reading = evidence.reading
    if not evidence.live.any():
        return
    still = []
    for tap in reading.hookup.taps:
        levels = reading.capture.levels(tap.line)
        if not ((levels == 0).any() and (levels == 1).any()):
            still.append(tap.name)
    if still:
        yield Finding(
            rule="line-still",
            severity="note",
            lines=tuple(still),
            opportunities=int(evidence.live.sum()),
            count=int(evidence.live.sum()),
            measured="one level in the whole capture",
            expected="nothing asked these lines to move, as far as the program is known",
            text=still_text(tuple(still)),
        )


RULES = (
    address_lines,
    sync_line,
    sync_without_program,
    rw_line,
    data_lines,
    lines_together,
    data_clip_beside,
    still_lines,
)
