"""What registers cost that drive where nobody asks them, and late lines: read by read."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import boot

from bustrace.diagnosis.gains import EITHER, whole_gain
from bustrace.findings import EITHER_WINS, FIRST_WINS, Assumption, _kernels, gather
from bustrace.findings._kernels import (
    ANY_BYTES,
    HABITS,
    IO,
    OF_ADDRESSES,
    RAM,
    Books,
    Bus,
    Cells,
    Chips,
    Cycle,
    Drive,
)


def one_cell() -> Cells:
    """Wide numbers, as the compiled kernel reckons."""
    return Cells(*(np.zeros(1, np.int64) for _ in range(3)))


def books() -> Books:
    return Books(
        told=np.zeros((4, 0x10001), np.int64),
        drift=np.zeros((2, HABITS)),
        registers=np.zeros(OF_ADDRESSES + 0x10000, np.uint32),
        charged=np.zeros((4, 1), np.int32),
        usual=np.zeros((3, 256, 256)),
    )


def at(address: int) -> Cycle:
    return Cycle(0, address, address, address, 0, address, address, 1, 1, 0, 0, ANY_BYTES)


def test_a_register_that_keeps_what_it_holds_is_soon_expected_to():
    drift = np.zeros((2, HABITS))
    first = _kernels._moved(0, 1, drift), _kernels._moved(1, 0, np.zeros((2, HABITS)))
    assert first == pytest.approx((0.093, 4.0), abs=0.001)
    _kernels._moved(0, 10_000, drift)
    assert _kernels._moved(0, 1, drift) < 0.01
    assert _kernels._moved(1, 0, drift) == 10.0


def test_a_register_that_is_another_each_time_pays_where_it_is_met_again_once():
    kept, cells = books(), one_cell()
    shown = [
        _kernels._register_shows(byte, 255, cells, 0, kept, at(0x10))
        for byte in (0x5A, 0x5A, 0x5B, 0x5A, 0xA5)
    ]
    assert shown[1] == shown[3] == 0  # as it was; the bit that was paid for
    assert (shown[2], shown[4]) == (1, 7)


def shown_in_parts(byte: int) -> float:
    """Bits for a register of which one line is seen at a time, each at another address."""
    kept, cells = books(), one_cell()
    return sum(
        _kernels._register_shows(byte, 1 << bit, cells, 0, kept, at(bit)) for bit in range(8)
    )


def test_a_register_at_rest_is_no_dearer_seen_line_by_line():
    assert shown_in_parts(0x00) == shown_in_parts(0xFF) == 3
    assert shown_in_parts(0x5A) == 8


def test_the_next_register_is_at_rest_as_the_last_was():
    kept = books()
    first, like, other = (
        _kernels._more_of_a_register(byte, 0xF0, one_cell(), 0, kept.registers)
        for byte in (0xFF, 0xFF, 0x00)
    )
    assert (first, like, other) == (3, 1, 3)


def test_a_register_that_changed_does_not_keep_what_it_holds():
    kept, cells = books(), one_cell()
    for byte in (0x00, 0x00, 0x01):
        assert not cells.written[0]
        _kernels._more_of_a_register(byte, 255, cells, 0, kept.registers)
    assert cells.written[0]


def beside(held: int, known: int, shown: list[int]) -> list[float]:
    """Bits for a register, of which some lines are known, beside a RAM that nobody knows: byte by
    byte at other addresses. The low level wins; what is told of the RAM costs nothing here.
    """
    drive = Drive(
        driving=3, driven=255, ones=0, zeros=0, highs=0, hazy=255, vague=255, ones_but_free=255,
        doubted=0, decided=0, murky=0, undecided=0, strong=-1, beaten=-1, free=True, register=0,
        register_lanes=255, asked=False,
    )  # fmt: skip
    chips = Chips(
        kind=np.array([IO, RAM]), lanes=np.array([255, 255]), base=np.array([0, 1]),
        inner=np.tile(np.arange(16), (2, 1)), page=np.zeros((1, 2), np.int64),
    )  # fmt: skip
    cells = Cells(*(np.zeros(17, np.int64) for _ in range(3)))
    cells.byte[0], cells.known[0] = held, known
    kept = books()._replace(usual=np.ones((9, 256, 256)))
    assume = Assumption(always=1).packed()
    return [
        _kernels._beside_a_register(
            chips, cells, kept, assume, at(address), Bus(byte, 255, 0, 255, 0), drive, 255, False
        )
        for address, byte in enumerate(shown)
    ]


def test_a_register_beside_a_memory_pays_for_the_highs_that_both_bring():
    """And little for lows, which either may bring; once known, it hardly is news."""
    assert beside(0, 0, [0xF0, 0xC0]) == pytest.approx([4 + 4 * 0.415, 2 * 0.093], abs=0.001)


def test_a_register_at_rest_beside_a_memory_leaves_the_lows_to_that():
    """All high so far: the rest is, too."""
    assert beside(0xF0, 0xF0, [0x0F, 0x00]) == pytest.approx([0, 0])


def test_a_register_that_is_known_to_be_low_is_never_high():
    moved, as_new = beside(0, 255, [0x01, 0x03])
    assert moved == pytest.approx(4, abs=0.1)
    assert as_new == pytest.approx(2 + 6 * 0.415)


def by_turns(known: int, shown: list[int], register: int = -1) -> list[float]:
    """What reads cost of a ROM of these levels along with a memory of which nothing is known, or
    with a register that is asked.
    """
    drive = Drive(
        driving=3, driven=255, ones=known, zeros=~known & 255, highs=known, hazy=255, vague=0,
        ones_but_free=known, doubted=0, decided=255, murky=0, undecided=0, strong=-1, beaten=-1,
        free=False, register=register, register_lanes=0, asked=register >= 0,
    )  # fmt: skip
    kept, cells = books(), one_cell()
    return [
        _kernels._either(drive, Bus(byte, 255, 0, 255, 0), cells, kept, at(address))
        for address, byte in enumerate(shown)
    ]


def test_a_memory_that_seldom_wins_is_soon_expected_not_to():
    """Each level for itself: of one that holds zeros, highs alone are pulled."""
    assert by_turns(0x01, [0x01])[0] == pytest.approx(8 * 0.415, abs=2.3)
    assert by_turns(0xFF, [0xFF] * 200)[-1] < 0.05
    coin = np.random.default_rng(3).integers(2, size=1000).tolist()
    assert sum(by_turns(0x80, [0x80 * c for c in coin])) < 1000 + 30


def test_of_a_register_that_is_not_known_each_level_is_worth_the_same_again():
    """It holds what somebody wrote: what others hold tells nothing of it."""
    costs = by_turns(0xFF, [0xFF, 0x00, 0xFF], register=0)
    assert costs == pytest.approx([8 * 0.415, 16, 8 * 0.415])


def test_what_such_a_memory_did_at_a_place_is_paid_for_once():
    drive_twice = by_turns(0xFF, [0xFF, 0xFF])
    assert drive_twice[1] > 0
    kept, cells = books(), one_cell()
    drive = Drive(
        driving=3, driven=1, ones=1, zeros=0, highs=1, hazy=1, vague=0, ones_but_free=1,
        doubted=0, decided=1, murky=0, undecided=0, strong=-1, beaten=-1, free=False,
        register=-1, register_lanes=0, asked=False,
    )  # fmt: skip
    paid = [
        _kernels._either(drive, Bus(seen, 1, 0, 255, 0), cells, kept, at(0x10))
        for seen in (1, 0, 1, 0)
    ]
    assert paid[0] > 0
    assert paid[1:] == [0, 0, 0]


def test_what_one_register_decides_stands_against_another():
    """D7 is known by the sheet of the one that is asked; low wins, so a high D7 may be pulled."""
    drive = Drive(
        driving=3, driven=255, ones=0, zeros=0, highs=128, hazy=127, vague=0, ones_but_free=255,
        doubted=0, decided=128, murky=0, undecided=0, strong=-1, beaten=-1, free=True, register=-1,
        register_lanes=255, asked=True,
    )  # fmt: skip
    cells = one_cell()
    bus = Bus(seen=0x80, seen_known=255, last=0, last_known=255, pause=0)

    def price(settled: int) -> float:
        return float(
            _kernels._registers_give(
                0.0, 1.0, drive, False, False, settled, 128, bus, cells, books(), at(0x10)
            )
        )

    assert price(settled=0) == price(settled=128) + 1


def test_a_chip_that_yields_to_some_pays_for_which():
    evidence = gather(boot(cycles=1500))
    replay = evidence.replay
    ram, port = (1 << replay.chips.index(ref) for ref in ("U4", "U6"))
    strong = replay.chips.index("U6")
    beats_all = Assumption(always=port, fight=FIRST_WINS, strong=strong)
    yields = Assumption(always=port, fight=FIRST_WINS, strong=strong, yields=ram)
    for assumption, price in ((beats_all, 0), (yields, 2)):  # RAM and ROM are read
        answers = replay.replay(assumption)
        gain = replay.healthy.total - answers.total
        assert whole_gain(evidence, answers, assumption) == pytest.approx(gain - price)


def test_random_bytes_are_no_late_ones():
    """Where zeros should be, and lines go either way: no cheaper than any byte. What is as it
    should be by chance is no proof.
    """
    assume = Assumption(weak_chip=0, weak_lines=0xFF, weak_way=_kernels.LATE).packed()
    late, spent, last = books(), 0.0, 0
    for address, seen in enumerate(np.random.default_rng(1).integers(256, size=400).tolist()):
        bus = Bus(seen, 255, last, 255, 0)
        spent += _kernels._too_late(0, 255, 255, False, bus, assume, late, at(address))[1]
        last = seen
    assert spent > 8 * 400


def test_a_late_line_of_which_nobody_knows_the_level_before_is_no_free_guess():
    """A byte that should not be is as good as chance, not certain."""
    assume = Assumption(weak_chip=0, weak_lines=0xFF, weak_way=_kernels.LATE).packed()
    bus = Bus(0xE7, 255, 0, 0, 0)
    openly, spent = _kernels._too_late(0, 255, 255, False, bus, assume, books(), at(0x10))
    assert openly == 255
    assert spent > 8


@pytest.mark.parametrize("is_register", [False, True])
def test_a_late_memory_is_judged_by_each_level_and_pays_a_coin_for_turning(is_register):
    """One address, eight lines that should be high after a low bus: in time, late, late; then low
    ones after a high bus, late twice. A register's levels are its own affair.
    """
    assume = Assumption(weak_chip=0, weak_lines=0xFF, weak_way=_kernels.LATE).packed()
    kept = books()

    def price(own: int, before: int, seen: int) -> float:
        bus = Bus(seen, 255, before, 255, 0)
        known = (own, own ^ 255, 255, is_register, bus, assume, kept, at(0x10))
        return float(_kernels._too_late(*known)[1])

    first, turned, again = (price(255, 0, seen) for seen in (255, 0, 0))
    other, once_more = price(0, 255, 255), price(0, 255, 255)
    assert first > 0
    assert (turned, again, once_more) == ((0, 0, 0) if is_register else (8, 0, 0))
    assert (other > 0) != is_register


def test_two_drivers_that_win_by_turns_pay_for_it():
    evidence = gather(boot(cycles=1500))
    replay = evidence.replay
    assumption = Assumption(always=1 << replay.chips.index("U6"), fight=EITHER_WINS)
    answers = replay.replay(assumption)
    gain = replay.healthy.total - answers.total
    assert whole_gain(evidence, answers, assumption) == pytest.approx(gain - EITHER)
