"""Single values as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace.board.nets import parse_net, pin_name
from bustrace.board.parts import cpu_variant, decoder_kind, part_facts
from bustrace.board.values import (
    BadValue,
    parse_address,
    parse_level,
    parse_line_set,
    parse_ranges,
    parse_size,
)
from bustrace.cpu.variants import variant_named


@given(st.integers(0, 0xFFFF))
def test_every_address_reads_back_from_all_its_forms(address: int) -> None:
    forms = [address, f"${address:X}", f"0x{address:x}", f" ${address:04X} ", f"{address:04X}"]
    assert [parse_address(form) for form in forms] == [address] * len(forms)


@pytest.mark.parametrize("value", [True, -1, 0x10000, "$10000", "E0", "", "$", "$G000", 1.5, None])
def test_what_is_no_address_is_refused(value: object) -> None:
    with pytest.raises(BadValue):
        parse_address(value)


@pytest.mark.parametrize(
    ("value", "ranges"),
    [
        ("$8000-$FFFF", ((0x8000, 0xFFFF),)),
        ("8000-FFFF", ((0x8000, 0xFFFF),)),
        ("0x8000..0x8FFF", ((0x8000, 0x8FFF),)),
        ("$8000 – $8FFF", ((0x8000, 0x8FFF),)),
        ("$9000", ((0x9000, 0x9000),)),
        (0x9000, ((0x9000, 0x9000),)),
        ([0x8000, 0xFFFF], ((0x8000, 0xFFFF),)),
        ([[0x8000, 0x8FFF], "$C000-$CFFF"], ((0x8000, 0x8FFF), (0xC000, 0xCFFF))),
        (["$0000-$07FF", "$1000-$17FF"], ((0, 0x7FF), (0x1000, 0x17FF))),
    ],
)
def test_ranges_in_all_their_forms(value: object, ranges: object) -> None:
    assert parse_ranges(value) == ranges


@pytest.mark.parametrize("value", ["$9000-$8000", "$1-$2-$3", [], "", True, ["$0-$1", "x"], "$0-"])
def test_what_is_no_range_is_refused(value: object) -> None:
    with pytest.raises(BadValue):
        parse_ranges(value)


def test_the_bad_item_of_a_list_of_ranges_is_named_by_its_place() -> None:
    with pytest.raises(BadValue) as caught:
        parse_ranges(["$0000-$00FF", "$5000-$4000"])
    assert caught.value.key == "[1]"


@pytest.mark.parametrize(
    ("value", "size"),
    [(2048, 2048), ("2K", 2048), ("8 KB", 8192), ("8KiB", 8192), ("$800", 2048), ("64k", 65536)],
)
def test_sizes_in_all_their_forms(value: object, size: int) -> None:
    assert parse_size(value) == size


@pytest.mark.parametrize("value", [0, -1, 65537, "65K", "2M", "", True, None, "K"])
def test_what_is_no_size_is_refused(value: object) -> None:
    with pytest.raises(BadValue):
        parse_size(value)


def test_sets_of_lines_are_masks() -> None:
    assert parse_line_set("A4-A11", "A", 16) == 0x0FF0
    assert parse_line_set(["A15", "A0-1"], "A", 16) == 0x8003
    assert parse_line_set("D0-D3", "D", 8) == 0x0F
    for wrong in ("A16", "D0", "A", 4, ["A1", "B2"]):
        with pytest.raises(BadValue):
            parse_line_set(wrong, "A", 16)


def test_levels_are_words_or_bits() -> None:
    assert [parse_level(value) for value in ("low", "HIGH", 0, 1)] == [0, 1, 0, 1]
    for wrong in ("up", 2, True, None):
        with pytest.raises(BadValue):
            parse_level(wrong)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("A13", "A13"),
        ("!a13", "!A13"),
        ("/A13", "!A13"),
        ("R/W", "R/W"),
        ("!RW", "!R/W"),
        ("phi2", "PHI2"),
        ("GND", "low"),
        ("+5V", "high"),
        (0, "low"),
        ("U7.Y5", "U7.Y5"),
        ("u7./y5", "u7.Y5"),
    ],
)
def test_nets_in_all_their_forms(text: object, shown: str) -> None:
    assert str(parse_net(text)) == shown


@pytest.mark.parametrize("value", ["A16", "U7.", "U7", "", "D0", True, 2, None])
def test_what_is_no_net_is_refused(value: object) -> None:
    with pytest.raises(BadValue):
        parse_net(value)


def test_a_sign_on_a_pin_name_means_active_low() -> None:
    assert [pin_name(name) for name in ("CS1", "/CS2", "CS2#", "!OE")] == [
        ("CS1", 1),
        ("CS2", 0),
        ("CS2", 0),
        ("OE", 0),
    ]


@pytest.mark.parametrize("part", ["6502", "6502A", "R6502AP", "SY6502", "MCS 6502", "6502-1"])
def test_marks_of_the_nmos_part_name_a_variant_that_the_cpu_room_knows(part: str) -> None:
    assert variant_named(cpu_variant(part)).name == "6502"


@pytest.mark.parametrize(
    ("part", "variant"),
    [
        ("6512A", "6502"),
        ("6507", "6507"),
        ("R6504AP", "6507"),
        ("MOS 6503", "6503"),
        ("MOS6510", "6510"),
        ("8502R0", "6510"),
        ("65C02", "65C02"),
        ("SY65C02A", "65C02"),
        ("G65SC02P-2", "65C02"),
        ("R65C02P4", "R65C02"),
        ("R65C102P2", "R65C02"),
        ("W65C02S", "W65C02S"),
        ("W65C02S6TPG-14", "W65C02S"),
        ("65C02S8P-14", "W65C02S"),
    ],
)
def test_part_numbers_name_the_variant_that_the_part_is(part: str, variant: str) -> None:
    """Rockwell and WDC parts alone have RMB, SMB, BBR, BBS (their sheets; facts of the trade)."""
    assert cpu_variant(part) == variant == variant_named(variant).name


@pytest.mark.parametrize("part", ["65C816", "W65C816S6PG-14", "65802", "65CE02"])
def test_other_members_of_the_family_are_refused_as_not_supported_yet(part: str) -> None:
    with pytest.raises(BadValue, match="not supported yet in this version"):
        cpu_variant(part)


@pytest.mark.parametrize("part", ["6809", "Z80", "", "65020", "16502", "6522"])
def test_what_is_no_member_of_the_family_is_an_unknown_cpu(part: str) -> None:
    with pytest.raises(BadValue, match="no known CPU"):
        cpu_variant(part)


@pytest.mark.parametrize(
    ("part", "role", "size", "data_lines"),
    [
        ("2764", "rom", 8192, 8),
        ("27C256-15", "rom", 32768, 8),
        ("TMS2516", "rom", 2048, 8),
        ("HM6116LP-3", "ram", 2048, 8),
        ("62256", "ram", 32768, 8),
        ("2114-3", "ram", 1024, 4),
        ("4164", "ram", 65536, 1),
        ("41464", "ram", 65536, 4),
        ("6522A", "io", 16, 8),
        ("65C21", "io", 4, 8),
        ("6821", "io", 4, 8),
    ],
)
def test_part_numbers_tell_role_size_and_width(
    part: str, role: str, size: int, data_lines: int
) -> None:
    facts = part_facts(part)
    assert facts is not None
    assert (facts.role, facts.size, facts.data_lines) == (role, size, data_lines)


def test_unknown_part_numbers_tell_nothing() -> None:
    for part in ("custom", "74LS245", "127640", "6502", ""):
        assert part_facts(part) is None


def test_decoders_are_known_in_every_family() -> None:
    assert [decoder_kind(p) for p in ("74LS138", "SN74HCT138N", "74x139", "74138", "5474")] == [
        "138",
        "138",
        "139",
        "138",
        None,
    ]
