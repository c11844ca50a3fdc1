"""A read where no chip drives finds the last byte, all high, or what another owner left there."""

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot
from programmed_boards import DECODED, programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import HEALTHY, Assumption
from bustrace.findings.answers import BoardReplay

pytestmark = pytest.mark.slow


def shared(reading, *, owner):
    """The same boot with the other half of each undriven read on the bus, its byte staying there.

    `owner` is ``display`` where that half has an address of its own, ``chip`` where it has the
    CPU's, ``nobody`` where it was not captured.
    """
    cycles, replay = reading.cycles, BoardReplay(reading)
    address = np.maximum(replay.address, 0)
    responds = reading.board.map.responds[1, address]
    alone = (replay.address >= 0) & (replay.read == 1) & (responds == 0)
    assert alone.sum() > 10
    byte = np.random.default_rng(3).integers(0, 256, len(cycles), dtype=np.uint8)
    n, seen = len(cycles), np.uint8(0 if owner == "nobody" else 0xFF)
    other = cycles.address ^ np.uint32(0x8000 if owner == "display" else 0)
    columns = {
        "data": np.where(alone, byte, cycles.data),
        "other_data": np.where(alone, byte, cycles.data),
        "other_data_known": np.full(n, seen, np.uint8),
        "other_address": other,
        "other_address_known": np.full(n, 0xFFFF if seen else 0, np.uint32),
    }
    return replace(reading, cycles=replace(cycles, **columns))


def surprise(reading):
    """Bits that reads cost where nobody drives."""
    replay = BoardReplay(reading)
    undriven = (replay.read == 1) & (replay.healthy.drivers == 0) & (replay.address >= 0)
    return replay.healthy.cost[undriven].sum()


@pytest.fixture(scope="module")
def healthy():
    return boot()


def test_a_byte_that_another_owner_left_is_less_of_a_surprise(healthy):
    told, not_told = (surprise(shared(healthy, owner=who)) for who in ("display", "nobody"))
    assert told < 0.5 * not_told


def test_the_same_byte_under_the_cpus_own_address_explains_nothing(healthy):
    """A chip that drives in both halves shows its own byte there: no word of an undriven bus."""
    own, nobody = (surprise(shared(healthy, owner=who)) for who in ("chip", "nobody"))
    assert own == nobody


def test_nobody_is_blamed_for_what_a_display_left(healthy):
    assert diagnose(shared(healthy, owner="display")).exit_code == 0


@pytest.mark.parametrize("kind", ["keeps", "decays", "high", "mixed"])
def test_what_each_line_does_when_left_alone_is_soon_no_surprise(kind):
    """The program runs on where nobody drives; each line leaks away in a time of its own."""
    replay = BoardReplay(boot("silent:U5", undriven=kind))
    undriven = (replay.read == 1) & (replay.healthy.drivers == 0) & (replay.address >= 0)
    cost = replay.healthy.cost[undriven]
    late = cost[len(cost) // 2 :]
    assert len(late) > 20
    assert late.mean() < 0.1


def test_noise_at_empty_places_hides_no_fault():
    """Sizing its memory the program reads them again and again; what they show explains nothing."""
    noisy = boot(undriven="noisy")
    assert BoardReplay(noisy).wrong < 40
    assert diagnose(noisy).exit_code == 0
    top = diagnose(boot("plane:U4.3", undriven="noisy")).suspects[0]
    assert (str(top.fault), top.probability > 0.5) == ("plane:U4.3", True)


def test_a_chip_that_drives_unasked_is_no_noise():
    """It gives the same byte again wherever it is read again."""
    top = diagnose(boot("always:U4", undriven="noisy")).suspects[0]
    assert "always:U4" in {str(fault) for fault in (top.fault, *top.alike)}


def test_a_written_byte_stays_on_the_bus_as_it_is_past_the_line_that_does_not_follow(tmp_path):
    """STA out of an empty place, and the next fetch from there: D1 is low behind the clip."""

    def main(code):
        code.op("LDA", "imm", 0xFF)
        code.op("JMP", "jump", 0x8585)

    board = programmed(tmp_path, main, board=DECODED)
    for fault, byte in (((), 0xFF), (("stuck:D1=0@write",), 0xFD)):
        replay = BoardReplay(boot(*fault, board=board, cycles=60))
        stored = int(np.flatnonzero(replay.address == 0x0085)[0])
        assert (replay.data[stored], replay.data[stored + 1]) == (0xFF, byte)
        left = replay.replay(Assumption(write_and=0xFD)) if fault else replay.replay(HEALTHY)
        assert left.cost[stored + 1] < 1
        if fault:
            assert replay.healthy.cost[stored + 1] > 5
