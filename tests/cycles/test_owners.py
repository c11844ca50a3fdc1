"""Whose each cycle was, told by BE, AEC and BA."""

import numpy as np
import pytest

from bustrace.cycles import CONTROL_BIT, OWNER_CPU, OWNER_FOREIGN, OWNER_UNKNOWN
from bustrace.cycles.owners import owners

WHOSE = {"c": OWNER_CPU, "f": OWNER_FOREIGN, "u": OWNER_UNKNOWN}


def told(address=(), address_known=0xFFFF, **lines: str) -> str:
    """Owners as letters; lines as levels, x for unknown, a line not given for not captured."""
    n = len(next(iter(lines.values())))
    control, known = np.zeros(n, np.uint16), np.zeros(n, np.uint16)
    for name, levels in lines.items():
        for i, level in enumerate(levels):
            control[i] |= (level == "1") << CONTROL_BIT[name]
            known[i] |= (level != "x") << CONTROL_BIT[name]
    where = np.array(address if len(address) else np.arange(n), np.uint32)
    found = owners(where, np.full(n, address_known, np.uint32), control, known)
    return "".join(next(k for k, v in WHOSE.items() if v == owner) for owner in found)


def test_without_any_of_these_lines_the_cpu_has_the_bus() -> None:
    assert told(RW="1101") == "cccc"


@pytest.mark.parametrize("pin", ["BE", "AEC"])
def test_low_takes_the_bus_and_unknown_leaves_it_open(pin: str) -> None:
    assert told(**{pin: "110x01"}) == "ccfufc"


def test_either_line_takes_the_bus() -> None:
    assert told(BE="1101", AEC="1011") == "cffc"


@pytest.mark.parametrize("pin", ["BE", "AEC", "BA"])
def test_a_line_that_is_never_high_tells_nothing(pin: str) -> None:
    """A clip that is off must not hide a program that runs."""
    assert told(**{pin: "0000"}) == "cccc"


def test_ba_gives_three_cycles_of_notice_in_which_the_cpu_still_writes() -> None:
    assert told(BA="1000000011", RW="1000111111") == "ccccffffcc"


def test_a_read_that_comes_again_after_the_hold_was_stopped() -> None:
    wrote = [1, 2, 3, 7, 7, 0x300, 7, 8]
    assert told(BA="11000011", RW="11011111", address=wrote) == "cccfffcc"
    read = [1, 2, 7, 7, 7, 0x300, 7, 8]
    assert told(BA="11000011", RW="11111111", address=read) == "ccffffcc"
    assert told(BA="11000011", RW="11111111", address=read, RDY="11000011") == "cccccfcc"


def test_without_addresses_a_read_under_notice_is_open() -> None:
    assert told(BA="1000001", RW="1011111", address_known=0) == "ccuuffc"
