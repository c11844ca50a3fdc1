"""What to do: pins and sockets as far as the board file knows them, cheap things first."""

from __future__ import annotations

import re
import zlib
from dataclasses import replace

import pytest
from drill_readings import FIXTURES, tide_gauge

from bustrace.board import Board, load_board, package_of, unknown_board
from bustrace.board.model import Chip
from bustrace.diagnosis.advice import behind_the_bus, check_for_class, rails, tell_apart
from bustrace.diagnosis.checks import check_for
from bustrace.diagnosis.naming import chip_name, place_of_line
from bustrace.faults import FAMILIES, Fault

EXAMPLES = {
    "stuck": "stuck:A9=1@bus", "open": "open:A7@U4", "clip": "clip:A3", "held": "held:IRQ=0",
    "short": "short:D1+D4@bus", "silent": "silent:U4", "always": "always:U6",
    "content": "content:U5", "cell": "cell:U4.0012.3=1", "plane": "plane:U5.3",
    "retention": "retention:U4", "register": "register:U6", "cpu": "cpu:U1",
    "doubled": "doubled:U4+U6", "swapped": "swapped:U4+U5", "clock": "clock:stops",
    "reset": "reset:held", "shared": "shared:ram-bank",
}  # fmt: skip


def with_socket(board: Board, ref: str, socketed: bool | None) -> Board:
    """The board with one chip socketed, soldered, or nobody knows."""
    chips: list[Chip] = [
        replace(chip, socketed=socketed) if chip.ref == ref else chip for chip in board.chips
    ]
    return replace(board, chips=tuple(chips))


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_has_its_instruction(family):
    """One sentence or a few that name what the fault is about."""
    fault = Fault.parse(EXAMPLES[family])
    text = check_for(fault, tide_gauge())
    assert text.endswith(".")
    for name in (*fault.lines, *fault.chips[-1:]):
        assert name in text


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_has_its_instruction_without_a_board(family):
    """Nothing is made up: no pin of a chip nobody described."""
    text = check_for(Fault.parse(EXAMPLES[family]), unknown_board())
    assert text.endswith(".")
    assert "U4 pin" not in text
    assert "soldered" not in text


def test_a_line_is_named_with_the_pins_that_are_known():
    """By the sheets (6502: A9 is pin 18; 6116: 22; 2764: 24, from memory) or by the board file."""
    board = tide_gauge()
    assert place_of_line(board, "A9") == "A9 (U1 pin 18, U4 pin 22, U5 pin 24)"
    assert place_of_line(board, "NOWHERE") == "NOWHERE"
    chips = [replace(c, pins={"A9": "77"}) if c.ref == "U5" else c for c in board.chips]
    told = replace(board, chips=tuple(chips))
    assert place_of_line(told, "A9") == "A9 (U1 pin 18, U4 pin 22, U5 pin 77)"
    assert "U5 pin 77" in check_for(Fault.parse("stuck:A9=1@bus"), told)


def test_a_chip_is_named_with_part_and_socket_as_far_as_known():
    board = tide_gauge()
    assert chip_name(board, "U4") == "U4 (6116, socketed)"
    assert chip_name(board, "U7") == "U7 (74LS374, soldered)"
    assert chip_name(with_socket(board, "U4", None), "U4") == "U4 (6116)"
    assert chip_name(board, "U99") == "U99"


def test_a_socketed_chip_is_pulled_a_soldered_one_measured_first():
    """Nobody desolders before every socketed part has been tried."""
    fault = Fault.parse("plane:U4.3")
    board = tide_gauge()
    assert "pull U4" in check_for(fault, board)
    soldered = check_for(fault, with_socket(board, "U4", False))
    assert "pull" not in soldered
    assert "do every socketed part first" in soldered
    unknown = check_for(fault, with_socket(board, "U4", None))
    assert "if it is socketed" in unknown


def test_of_the_chips_on_a_held_line_the_socketed_are_pulled_first():
    board = replace(tide_gauge(), irq_from=("U7", "U6"))
    text = check_for(Fault.parse("held:IRQ=0"), board)
    assert "U7" in text
    assert "pull U6 first" in text


def test_the_clock_is_walked_back_to_the_chip_that_makes_it():
    assert "U3 (74LS04, soldered)" in check_for(Fault.parse("clock:stops"), tide_gauge())
    assert "U8 (555, soldered)" in check_for(Fault.parse("reset:held"), tide_gauge())


def test_power_is_off_before_an_ohmmeter_or_a_puller_touches_the_board():
    """A caution where it belongs."""
    for name in ("stuck:A9=1@bus", "short:D1+D4@bus", "open:A7@U4", "plane:U4.3"):
        text = check_for(Fault.parse(name), tide_gauge()).casefold()
        assert "power off" in text


def test_a_single_fault_needs_no_telling_apart():
    assert tell_apart(Fault.parse("silent:U4"), (), tide_gauge()) is None


@pytest.mark.parametrize(
    ("first", "others", "word"),
    [
        ("silent:U5", ("stuck:CS_U5=1@decoder",), "select"),
        ("stuck:D3=0@read", ("stuck:D3=0@behind",), "D3"),
        ("stuck:A2=1@behind", ("stuck:A2=1@U5",), "U5"),
        ("plane:U4.3", ("stuck:D3=0@U4",), "U4"),
        ("clip:A3", ("stuck:A3=0@bus",), "clip"),
    ],
)
def test_a_class_comes_with_the_measurement_that_splits_it(first, others, word):
    text = tell_apart(Fault.parse(first), tuple(map(Fault.parse, others)), tide_gauge())
    assert text is not None
    assert word in text


def test_a_select_is_named_by_its_chip_and_as_the_board_file_names_it():
    """Not by the name that faults have for it, which stands in no file and on no clip."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    for fault in ("clip:CS_U7", "stuck:CS_U7=1@decoder"):
        text = check_for(Fault.parse(fault), board)
        assert "the select of U7 (CS_LAT)" in text
        assert "CS_U7" not in text


def boards() -> dict[str, Board]:
    names = ("tide_gauge", "departure_board", "kiln_control")
    return {name: load_board(FIXTURES / name / "board.toml") for name in names}


CHECKED = (
    *EXAMPLES.values(), "stuck:A9=0@cpu", "stuck:D3=0@read", "stuck:D3=1@write",
    "stuck:A6=0@behind", "stuck:A14=1@decoder", "stuck:A2=1@U5", "stuck:CS_U5=1@decoder",
    "open:A7@cpu", "open:D3@behind", "open:A3@decoder", "open:CS_U5@U5", "held:NMI=0",
    "held:RDY=0", "doubled:U5+other", "stuck:BANK=0@U7", "register:U7", "reset:repeats",
)  # fmt: skip


@pytest.mark.parametrize("text", CHECKED)
def test_a_check_says_what_is_good_and_what_is_bad_in_few_words(text):
    """Something to measure against, on every board and without one; no more than six lines."""
    for board in (*boards().values(), unknown_board()):
        check = check_for(Fault.parse(text), board)
        assert re.search(r"Good\b.*Bad\b", check), check
        assert len(check) <= 80 * 6, check


@pytest.mark.parametrize("text", CHECKED)
def test_no_pin_is_made_up(text):
    """Each pin that is named has the line's name, or the enable's or output's, on its sheet."""
    for board in boards().values():
        check = check_for(Fault.parse(text), board)
        for ref, number in re.findall(r"(\w+) pin (\d+)", check):
            chip = next((c for c in board.chips if c.ref == ref), None)
            if chip is None:  # an enable by its name: /CE pin 20
                pins = {p for c in board.chips for p in _named(c, ref)}
                assert number in pins, check
            else:
                package = package_of(chip.part)
                assert package is not None
                assert package.pins[int(number) - 1] not in ("-", "+5V", "GND"), check
    # Without a board file the CPU alone is taken for a known part.
    without = check_for(Fault.parse(text), unknown_board())
    assert set(re.findall(r"(\w+) pin \d", without)) <= {"CPU"}


def _named(chip: Chip, name: str) -> tuple[str, ...]:
    package = package_of(chip.part)
    return package.numbers(name) if package is not None else ()


def test_the_makers_pins_and_levels_stand_in_the_checks():
    """SN74LS138 sheet: Y0 is pin 15, Y7 pin 7; 6502: IRQ 4, PHI0 37; 6116: /CS 18 (from memory).
    TTL inputs: 0.8 V and 2.0 V; W65C02S: 0.3 and 0.7 of 5 V, its clock 0.4 V below 5 V (their
    sheets).
    """
    board = tide_gauge()
    for text, words in {
        "stuck:CS_U4=1@decoder": ("U2 pin 15", "500 ns"), "silent:U5": ("U2 pin 7", "/CE pin 20"),
        "held:IRQ=0": ("U1 pin 4", "U6 pin 21", "2.0 V"), "silent:U4": ("/CS pin 18", "0.8 V"),
        "clock:stops": ("U1 pin 37", "1 MHz"), "stuck:A2=1@U5": ("U5 pin 8", "1 us"),
        "shared:U2": ("+5V on pin 16", "4.75 to 5.25 V"),
    }.items():  # fmt: skip
        check = check_for(Fault.parse(text), board)
        assert all(word in check for word in words), check
    cmos = boards()["departure_board"]
    assert "above 4.6 V" in check_for(Fault.parse("clock:stops"), cmos)
    assert "below 1.5 V and above 3.5 V" in check_for(Fault.parse("stuck:A9=0@cpu"), cmos)
    assert "below 0.8 V and above 2.0 V" in check_for(Fault.parse("clock:stops"), board)


def test_a_roms_check_names_the_sum_its_bytes_should_have():
    """CRC-32 as any programmer shows it, reckoned by zlib."""
    image = (FIXTURES / "tide_gauge" / "tide_gauge.bin").read_bytes()
    check = check_for(Fault.parse("content:U5"), tide_gauge())
    assert f"{zlib.crc32(image):08X}" in check
    soldered = check_for(Fault.parse("content:U5"), with_socket(tide_gauge(), "U5", False))
    assert "pull" not in soldered


def test_chips_to_pull_are_those_on_the_lines_socketed_and_fitted():
    board = tide_gauge()
    assert "(U4, U5)" in check_for(Fault.parse("stuck:A9=1@bus"), board)
    assert "(U4, U5, U6)" in check_for(Fault.parse("short:D1+D4@bus"), board)
    assert "(U5)" in check_for(Fault.parse("short:A9+A12@bus"), board)
    assert "(U4)" in check_for(Fault.parse("stuck:A9=1@bus"), with_socket(board, "U5", False))


def test_an_ohmmeter_begins_at_the_buffer_before_the_chip(tmp_path):
    """It does not see through one."""
    reference = (FIXTURES.parent / "docs" / "board-file.md").read_text(encoding="utf-8")
    (text,) = [t for t in re.findall(r"```toml\n(.*?)```", reference, re.S) if "74LS245" in t]
    (tmp_path / "board.toml").write_text(text, encoding="utf-8")
    (tmp_path / "monitor.bin").write_bytes(bytes(0x2000))
    board = load_board(tmp_path / "board.toml")
    assert "from U2's pin to U4 pin" in check_for(Fault.parse("open:A1@U4"), board)
    assert "from U1 pin" in check_for(Fault.parse("open:A9@U4"), board)


def test_cheap_things_come_before_dear_ones():
    """Look and measure, then pull what is socketed, then swap."""
    for text in ("stuck:A2=1@U5", "silent:U4", "always:U6"):
        check = check_for(Fault.parse(text), tide_gauge())
        assert check.index("Scope") < check.index("pull U") < check.index("known-good")
    opened = check_for(Fault.parse("open:A1@U4"), tide_gauge())
    assert opened.index("clean its pins") < opened.index("buzz") < opened.index("reflow")
    assert "clean" not in check_for(
        Fault.parse("open:A1@U4"), with_socket(tide_gauge(), "U4", False)
    )


def test_many_lines_of_one_class_are_scoped_in_turn():
    faults = [Fault.parse(f"stuck:A{bit}=1@behind") for bit in (3, 4, 5)]
    check = check_for_class(faults[0], tuple(faults[1:]), tide_gauge())
    assert "A3-A5 in turn" in check
    assert re.search(r"Good\b.*Bad\b.*high", check)


def apart(board: Board, first: str, *others: str) -> str:
    text = tell_apart(Fault.parse(first), tuple(map(Fault.parse, others)), board)
    assert text is not None
    return text


def test_what_splits_a_class_goes_on_where_its_check_ends():
    """It names the pins of the likeliest fault's line, and both outcomes."""
    board = tide_gauge()
    for text, words in {
        apart(board, "plane:U5.3", "stuck:D3=0@U5"): ("programmer", "U5 pin 15 (D3)"),
        apart(board, "plane:U4.3", "stuck:D3=0@U4"): ("U4 pin 13", "U1 pin 30", "joint"),
        apart(board, "open:A1@U4", "stuck:A1=0@U4"): ("U4 pin 7", "1.1 to 1.8 V", "steady"),
        apart(board, "stuck:A9=1@bus", "stuck:A9=1@cpu"): ("Power off", "U1", "Still there"),
        apart(board, "short:D1+D4@bus", "short:D1+D4@cpu"): ("D1 and D4", "empty socket"),
        apart(board, "stuck:D3=1@read", "stuck:D3=1@bus"): ("both ends", "U4, U5 or U6"),
        apart(board, "stuck:A13=0@behind", "stuck:CS_U5=1@decoder"): ("A13", "U2 pin 7"),
        apart(board, "silent:U5", "stuck:CS_U5=1@decoder"): ("Clip", "U2 pin 7", "mute"),
        apart(board, "silent:U5", "stuck:CS_U5=1@U5"): ("its own pin", "U2 pin 7", "mute"),
        apart(board, "always:U6", "stuck:CS_U6=0@U6"): ("its own pin", "driving unasked"),
    }.items():  # fmt: skip
        assert all(word in text for word in words), text


def test_a_soldered_cpu_is_not_pulled_to_split_a_class():
    board = tide_gauge()
    soldered = replace(board, cpu=replace(board.cpu, socketed=False))
    text = apart(soldered, "stuck:A9=1@bus", "stuck:A9=1@cpu")
    assert "pull" not in text
    assert "before desoldering" in text


def test_a_bank_bits_class_is_split_by_the_bit_not_by_an_address_line():
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    text = apart(board, "stuck:BANK=0@U7", "register:U7", "stuck:A13=1@decoder")
    assert text.startswith("Clip BANK too")
    assert "U7 (74HC273)" in text


def test_the_rails_are_measured_at_the_suspects_own_pins():
    """6116: +5 V on pin 24, ground on 12 (from memory). No chip suspected: the CPU's pins."""
    board = tide_gauge()
    assert "U4: +5V on pin 24, GND on pin 12" in rails(board, [Fault.parse("silent:U4")])
    text = rails(board, [Fault.parse("stuck:A9=1@bus")])
    assert "U1: +5V on pin 8" in text
    assert "4.75 to 5.25 V" in text


def test_behind_a_healthy_bus_the_io_chips_come_next():
    text = behind_the_bus(tide_gauge())
    assert "U6 (6522, socketed)" in text
    assert re.search(r"Good\b.*Bad\b", text)
    assert "picture" in behind_the_bus(unknown_board())


def test_a_line_behind_the_clip_is_looked_for_where_it_arrives():
    """At the chips' pins that are known; A13 at the decoder, its A: pin 1 (SN74LS138)."""
    board = tide_gauge()
    for place in ("behind", "decoder"):
        assert "at U2 pin 1." in check_for(Fault.parse(f"stuck:A13=0@{place}"), board)
    assert "to U2 pin 3." in check_for(Fault.parse("open:A15@decoder"), board)
    far = check_for(Fault.parse("stuck:A2=1@behind"), board)
    assert "U4 pin 6, U5 pin 8" in far


def test_what_a_bank_shares_is_named_with_its_chips_and_their_supply():
    """4164: +5 V on pin 8, ground on 16 (from memory)."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    fault = Fault.parse("shared:ram-bank")
    text = check_for(fault, board)
    assert "U20-U27" in text
    assert "RAS" in text
    assert "U20-U27: +5V on pin 8, GND on pin 16)" in rails(board, [fault])


def test_joined_lines_are_split_by_where_they_read_least():
    """The check has found the short; its place is where the ohmmeter reads least."""
    text = apart(tide_gauge(), "short:A13+A14@behind", "short:A13+A14@decoder")
    assert "the bridge lies where the reading is least" in text


def test_a_clip_is_told_from_its_line_at_another_pin():
    """Seating it again comes first, and only once."""
    board = tide_gauge()
    text = apart(board, "clip:A9", "stuck:A9=1@bus")
    assert "U4 pin 22 or U5 pin 24" in text
    assert "Seat the clip" not in text
    assert "Seat the clip on IRQ again" in apart(board, "held:IRQ=0", "clip:IRQ")
