"""Who answers where: worked examples, line faults, and a plain per-address evaluation."""

import json
from collections.abc import Callable
from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.board import READ, WRITE, Board, Chip, Decoding, build_map, decode_138
from bustrace.board.address_map import WiringLoop

BLOCKS_OF_8K = """
[[chips]]
ref = "U7"
part = "74HCT138"
inputs = { A = "A13", B = "A14", C = "A15" }
outputs = { Y0 = "C0", Y1 = "C1", Y2 = "C2", Y3 = "C3", Y4 = "C4", Y5 = "C5", Y6 = "C6", Y7 = "C7" }
""" + "".join(f'[[chips]]\nref = "C{n}"\nrole = "ram"\nsize = "8K"\n' for n in range(8))


def answering(board: Board, address: int, rw: int = READ) -> list[str]:
    bits = int(board.map.responds[rw, address])
    return [ref for index, ref in enumerate(board.map.chips) if bits >> index & 1]


def test_the_decoder_follows_its_function_table_for_all_64_inputs() -> None:
    """TI SN74HCT138, SCLS171E, page 2: on if G1 high, G2A and G2B low; Yn low, n = 4C + 2B + A."""
    for c, b, a, g1, g2a, g2b in product((False, True), repeat=6):
        levels = decode_138(
            [np.array([x]) for x in (a, b, c)], [np.array([x]) for x in (g1, g2a, g2b)]
        )
        low = 4 * c + 2 * b + a if (g1, g2a, g2b) == (True, False, False) else None
        assert [bool(level) for level in levels[:, 0]] == [n != low for n in range(8)]


def test_a_decoder_on_the_three_top_lines_selects_blocks_of_8_kb(
    write_board: Callable[..., Board],
) -> None:
    """Calculated from the function table: Yn is 8 KB block n; the reset vector falls to Y7."""
    board = write_board('cpu = "6502"\n' + BLOCKS_OF_8K)
    for block in range(8):
        assert answering(board, 0x2000 * block) == [f"C{block}"]
        assert answering(board, 0x2000 * block + 0x1FFF) == [f"C{block}"]
    assert answering(board, 0xFFFC) == ["C7"]
    assert board.map.offsets[board.map.index("C7"), 0xFFFC] == 0x1FFC


@pytest.mark.parametrize(("line", "seen", "chip"), [(13, 0xDFFC, "C6"), (15, 0x7FFC, "C3")])
def test_a_line_stuck_low_sends_the_reset_vector_elsewhere(
    write_board: Callable[..., Board], line: int, seen: int, chip: str
) -> None:
    """Calculated: A13 low makes $FFFC $DFFC, so Y6; A15 low makes it $7FFC, so Y3."""
    board = write_board('cpu = "6502"\n' + BLOCKS_OF_8K)
    faulty = board.map.after_line_fault(0xFFFF & ~(1 << line), 0)
    bits = int(faulty.map_at(np.array([0xFFFC], dtype=np.uint32))[0])
    assert [ref for i, ref in enumerate(faulty.chips) if bits >> i & 1] == [chip]
    assert bits == int(board.map.responds[READ, seen])
    assert int(faulty.offsets[faulty.index(chip), 0xFFFC]) == seen % 0x2000


def test_a_fault_at_the_decoder_alone_leaves_the_chips_own_address_pins_right(
    write_board: Callable[..., Board],
) -> None:
    board = write_board('cpu = "6502"\n' + BLOCKS_OF_8K)
    behind = board.map.after_line_fault(0xFFFF, 0x0001)
    decoder = board.map.after_line_fault(0xDFFF, 0x0001, decoder_only=True)
    assert int(behind.offsets[7, 0xFFFC]) == 0x1FFD
    assert int(decoder.offsets[6, 0xFFFC]) == 0x1FFC
    assert int(decoder.offsets[7, 0xFFFC]) == -1


def test_a_2_kb_device_behind_an_8_kb_select_shows_four_images(
    write_board: Callable[..., Board],
) -> None:
    """Common practice: images = 2 to the number of undecoded lines, here A11 and A12."""
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U6"\npart = "6116"\nrange = "$0000-$1FFF"\n'
    )
    offsets = board.map.offsets[0]
    for image in range(4):
        assert np.array_equal(offsets[0x800 * image : 0x800 * (image + 1)], np.arange(0x800))
    assert np.all(offsets[0x2000:] == -1)


def test_three_undecoded_top_lines_bring_the_reset_vector_down(
    write_board: Callable[..., Board],
) -> None:
    """With A13 to A15 not decoded, as on a 13-line part, $FFFC is $1FFC."""
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U6"\nrole = "ram"\nrange = "$1000-$1FFF"\n'
        'undecoded = "A13-A15"\n'
    )
    table = board.map
    assert int(np.count_nonzero(table.readers("U6"))) == 8 * 0x1000
    assert table.offsets[0, 0xFFFC] == table.offsets[0, 0x1FFC] == 0x0FFC


def test_undecoded_lines_of_a_size_that_is_no_power_of_two_repeat_the_whole_range(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U6"\nrole = "ram"\nrange = "$0000-$5FFF"\n'
        'undecoded = "A15"\n'
    )
    assert np.array_equal(board.map.offsets[0, 0x8000:0xE000], np.arange(0x6000))


def test_a_rom_takes_no_writes_unless_the_file_says_so(write_board: Callable[..., Board]) -> None:
    rom = 'cpu = "6502"\n[[chips]]\nref = "U4"\nrole = "rom"\nrange = "$8000-$FFFF"\n'
    board = write_board(rom)
    assert answering(board, 0x9000, READ) == ["U4"]
    assert answering(board, 0x9000, WRITE) == []
    told = write_board(rom + 'write_range = "$8000-$80FF"\n')
    assert answering(told, 0x8000, WRITE) == ["U4"]


def test_where_the_select_line_in_writes_to_a_rom_is_not_told_nothing_is_sure(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U4"\nrole = "rom"\nrange = "$8000-$FFFF"\n'
    )
    asserts, sure = board.map.asserts_at(
        np.array([0x9000, 0x9000, 0x1000, 0x1000], dtype=np.uint32),
        np.array([READ, WRITE, READ, WRITE], dtype=np.uint8),
    )
    assert sure.tolist() == [1, 0, 1, 1]
    assert asserts[sure == 1].tolist() == [1, 0, 0]


def test_with_wiring_the_select_line_is_sure_in_writes_to_a_rom(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U4"\nrole = "rom"\nenable = { "/CE" = "!A15" }\n'
    )
    assert answering(board, 0x9000, WRITE) == []
    assert int(board.map.asserts[WRITE, 0x9000]) == 1
    assert int(board.map.asserts_known[WRITE, 0x9000]) == 1


def test_ram_under_rom_takes_the_write_and_is_not_doubled(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U4"\nrole = "rom"\nrange = "$8000-$FFFF"\nwrite_range = "$8000-$FFFF"\n'
        '[[chips]]\nref = "U6"\nrole = "ram"\nread_range = "$0000-$7FFF"\n'
        'write_range = "$0000-$FFFF"\nsize = "64K"\n'
    )
    assert answering(board, 0xC000, READ) == ["U4"]
    assert answering(board, 0xC000, WRITE) == ["U4", "U6"]
    assert not board.map.doubled().any()
    bit = board.map.index("U6")
    assert int(board.map.asserts_known[READ, 0xC000]) >> bit & 1 == 0


def test_two_drivers_of_the_same_data_line_are_doubled_only_where_both_answer_reads(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U4"\nrole = "ram"\nrange = "$8000-$8FFF"\n'
        '[[chips]]\nref = "U5"\nrole = "ram"\nrange = "$8800-$97FF"\n'
    )
    assert np.flatnonzero(board.map.doubled()).tolist() == list(range(0x8800, 0x9000))


def test_a_bank_of_narrow_memories_is_not_doubled(write_board: Callable[..., Board]) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = ["U20", "U21"]\npart = "2114"\nrange = "$0000-$03FF"\n'
        '[[chips]]\nref = "U22"\npart = "2114"\ndata = "D4-D7"\nrange = "$0400-$07FF"\n'
    )
    assert board.map.data_masks.tolist() == [0x0F, 0xF0, 0xF0]
    assert answering(board, 0x0100) == ["U20", "U21"]
    assert not board.map.doubled().any()


def test_a_chip_answers_on_its_whole_enable(write_board: Callable[..., Board]) -> None:
    """CS1, /CS2 and a third select in reads only: each alone is not enough."""
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U9"\nrole = "io"\nsize = 16\n'
        'enable = { CS1 = "A12", "/CS2" = "!A15", "/CS3" = "!R/W" }\n'
    )
    for address in (0x9000, 0xF000):
        assert answering(board, address, READ) == ["U9"]
        assert answering(board, address, WRITE) == []
    for address in (0x8000, 0x1000, 0x0000):
        assert answering(board, address, READ) == []
    # The select line is the first pin, whatever the others do.
    assert int(board.map.asserts[WRITE, 0x1000]) == 1
    assert int(board.map.asserts[READ, 0x8000]) == 0


def test_a_chip_without_a_size_of_its_own_takes_its_first_unbroken_block(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U6"\nrole = "ram"\n'
        'range = ["$0000-$07FF", "$1000-$17FF"]\n'
    )
    assert board.chip("U6").size == 0x800
    assert int(board.map.offsets[0, 0x1001]) == 1


def test_an_incomplete_file_says_nothing_about_addresses_it_does_not_list(
    write_board: Callable[..., Board],
) -> None:
    text = (
        'cpu = "6502"\ncomplete = {}\n[[chips]]\nref = "U6"\nrole = "ram"\nrange = "$0000-$07FF"\n'
    )
    whole = write_board(text.replace("{}", "true")).map
    part = write_board(text.replace("{}", "false")).map
    assert whole.described.all()
    assert np.flatnonzero(part.described).tolist() == list(range(0x800))
    assert int(whole.asserts_known[READ, 0x9000]) == 1
    assert int(part.asserts_known[READ, 0x9000]) == 0


def test_a_decoder_out_of_its_socket_leaves_its_chips_addresses_open(
    write_board: Callable[..., Board],
) -> None:
    board = write_board('cpu = "6502"\n' + BLOCKS_OF_8K, without=["u7"])
    assert not board.map.responds.any()
    assert not board.map.described.any()
    assert not board.map.asserts_known.any()
    assert board.chip("C7").size == 0x2000


def test_an_empty_socket_keeps_its_select_line(write_board: Callable[..., Board]) -> None:
    board = write_board('cpu = "6502"\n' + BLOCKS_OF_8K, without=["C3"])
    assert answering(board, 0x6000) == []
    assert not board.chip("C3").fitted
    assert int(board.map.asserts[READ, 0x6000]) >> 3 & 1 == 1
    assert board.map.described.all()


def test_decoders_in_a_row_pass_the_select_on(write_board: Callable[..., Board]) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U8"\npart = "74LS138"\ninputs = { A = "A10", B = "A11", C = "A12" }\n'
        'enable = { G2A = "U7.Y4" }\noutputs = { Y3 = "U9" }\n'
        '[[chips]]\nref = "U7"\npart = "74LS138"\ninputs = { A = "A13", B = "A14", C = "A15" }\n'
        '[[chips]]\nref = "U9"\npart = "6522"\n'
    )
    here = np.flatnonzero(board.map.readers("U9"))
    assert (int(here[0]), int(here[-1]), len(here)) == (0x8C00, 0x8FFF, 0x400)


def test_a_select_gated_with_phase_2_is_told_from_one_that_is_not(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U7"\npart = "74LS138"\ninputs = { A = "A13", B = "A14", C = "A15" }\n'
        'enable = { G1 = "PHI2" }\noutputs = { Y0 = "U6" }\n'
        '[[chips]]\nref = "U6"\npart = "6264"\n'
        '[[chips]]\nref = "U4"\nrole = "rom"\nenable = { "/CE" = "!A15" }\n'
        '[[chips]]\nref = "U5"\nrole = "io"\nrange = "$4000-$400F"\n'
    )
    gated = {ref: board.chip(ref).selects[0].with_phi2 for ref in board.map.chips}
    assert gated == {"U6": True, "U4": False, "U5": None}


def test_a_map_refuses_more_chips_than_its_bits() -> None:
    chips = [
        Chip(f"U{n}", role="ram", size=16, decoding=Decoding(((n, n),), ((n, n),)))
        for n in range(33)
    ]
    with pytest.raises(ValueError, match="at most 32 chips"):
        build_map(chips, (), complete=True)
    assert build_map(chips[:32], (), complete=True).responds[READ, 31] == 1 << 31


def test_arrays_of_the_map_are_read_only() -> None:
    table = build_map([], (), complete=True)
    with pytest.raises(ValueError, match="read-only"):
        table.responds[0, 0] = 1


# --- against a plain evaluation, one address at a time -------------------------------------------

Table = dict[str, Any]


def level(net: str, tables: dict[str, Table], rw: int, address: int) -> int:
    """Level of a net in the read window, by plain recursion."""
    if net.startswith("!"):
        return 1 - level(net[1:], tables, rw, address)
    if net in ("high", "PHI2"):
        return 1
    if net == "low":
        return 0
    if net == "R/W":
        return rw
    if net.startswith("A"):
        return address >> int(net[1:]) & 1
    ref, output = net.split(".Y")
    decoder = tables[ref]
    pins = {"G1": "high", "G2A": "low", "G2B": "low"} | decoder["inputs"] | decoder["enable"]
    at = {pin: level(wired, tables, rw, address) for pin, wired in pins.items()}
    on = at["G1"] == 1 and at["G2A"] == 0 and at["G2B"] == 0
    return 0 if on and 4 * at["C"] + 2 * at["B"] + at["A"] == int(output) else 1


def in_ranges(ranges: list[str], undecoded: list[str], address: int) -> bool:
    images = {address}
    for line in undecoded:
        images |= {image ^ 1 << int(line[1:]) for image in images}
    ends = [ends_of(text) for text in ranges]
    return any(first <= image <= last for first, last in ends for image in images)


@cache
def ends_of(text: str) -> tuple[int, int]:
    first, last = text.split("-")
    return int(first[1:], 16), int(last[1:], 16)


def answers(ref: str, tables: dict[str, Table], rw: int, address: int) -> bool:
    """Whether a chip answers, by plain evaluation of everything that stands in its table."""
    table = tables[ref]
    if table.get("role") == "rom" and rw == WRITE and "write_range" not in table:
        return False
    own = [*table.get("range", ()), *table.get(("write_range", "read_range")[rw], ())]
    if any(key.endswith("range") for key in table) and not in_ranges(
        own, table.get("undecoded", []), address
    ):
        return False
    for pin, wired in table.get("enable", {}).items():
        active = 0 if pin.startswith("/") else 1
        if level(wired, tables, rw, address) != active:
            return False
    selected_by = [
        f"{decoder}.{output}"
        for decoder, other in tables.items()
        for output, refs in other.get("outputs", {}).items()
        if ref in refs
    ]
    return not selected_by or any(level(n, tables, rw, address) == 0 for n in selected_by)


def as_toml(tables: dict[str, Table]) -> str:
    def text(value: object) -> str:
        if isinstance(value, dict):
            return "{ " + ", ".join(f"{json.dumps(k)} = {text(v)}" for k, v in value.items()) + " }"
        return json.dumps(value)

    lines = ['cpu = "6502"']
    for ref, table in tables.items():
        lines += ["[[chips]]", f"ref = {text(ref)}"]
        lines += [f"{key} = {text(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


THREE_KINDS_OF_SELECTION: dict[str, Table] = {
    "U7": {
        "part": "74LS138",
        "inputs": {"A": "A12", "B": "A13", "C": "A14"},
        "enable": {"G1": "A15", "G2B": "!R/W"},
        "outputs": {"Y0": ["U1X"], "Y5": ["U2X"], "Y7": ["U2X", "U3X"]},
    },
    "U1X": {"role": "io", "size": 16, "enable": {"CS1": "A4"}},
    "U2X": {"role": "rom", "size": 4096},
    "U3X": {"role": "ram", "enable": {"/CS": "!A11"}},
    "U4X": {"role": "ram", "range": ["$0000-$17FF"], "undecoded": ["A14"]},
    "U5X": {"role": "rom", "range": ["$4000-$5FFF"], "write_range": ["$6000-$60FF"]},
    "U6X": {"role": "other", "read_range": ["$2000-$2010"], "write_range": ["$2008-$2020"]},
}


@pytest.mark.slow
def test_all_addresses_agree_with_the_plain_evaluation(write_board: Callable[..., Board]) -> None:
    board = write_board(as_toml(THREE_KINDS_OF_SELECTION))
    for rw in (WRITE, READ):
        for bit, ref in enumerate(board.map.chips):
            plain = [answers(ref, THREE_KINDS_OF_SELECTION, rw, a) for a in range(0x10000)]
            assert np.array_equal((board.map.responds[rw] >> np.uint32(bit)) & 1 == 1, plain), ref


LINES = st.integers(0, 15).map(lambda bit: f"A{bit}")
NETS = st.one_of(
    LINES,
    LINES.map(lambda line: "!" + line),
    st.sampled_from(["R/W", "!R/W", "PHI2", "high", "low"]),
)
RANGES = st.lists(
    st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)).map(
        lambda ends: f"${min(ends):04X}-${max(ends):04X}"
    ),
    min_size=1,
    max_size=3,
)
RANGED = st.fixed_dictionaries(
    {"role": st.sampled_from(["rom", "ram", "io"]), "range": RANGES, "size": st.just(256)},
    optional={
        "undecoded": st.lists(LINES, max_size=3, unique=True),
        "write_range": RANGES,
        "enable": st.dictionaries(st.sampled_from(["CS1", "/CS2"]), LINES, max_size=2),
    },
)
DECODERS = st.fixed_dictionaries(
    {
        "part": st.just("74LS138"),
        "inputs": st.fixed_dictionaries({"A": NETS, "B": NETS, "C": NETS}),
        "enable": st.dictionaries(st.sampled_from(["G1", "G2A", "G2B"]), NETS, max_size=3),
        "outputs": st.dictionaries(
            st.integers(0, 7).map(lambda n: f"Y{n}"), st.just(["W"]), min_size=1, max_size=3
        ),
    }
)


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(ranged=RANGED, decoder=DECODERS, probes=st.lists(st.integers(0, 0xFFFF), max_size=40))
@pytest.mark.slow
def test_any_ranges_mirrors_and_wiring_agree_with_the_plain_evaluation(
    write_board: Callable[..., Board], ranged: Table, decoder: Table, probes: list[int]
) -> None:
    tables: dict[str, Table] = {"R": ranged, "W": {"role": "ram", "size": 1024}, "U7": decoder}
    edges = [int(end[1:], 16) for text in ranged["range"] for end in text.split("-")]
    probes = [*probes, *edges, *((e + d) & 0xFFFF for e in edges for d in (-1, 1)), 0, 0xFFFF]
    able = {ref: any(answers(ref, tables, rw, a) for rw in (0, 1) for a in probes) for ref in "RW"}
    if not all(able.values()):
        # A chip that never answers is an error of its own; here only maps are compared.
        tables = {ref: table for ref, table in tables.items() if able.get(ref, True)}
        if "W" not in tables:
            del tables["U7"]
    board = write_board(as_toml(tables))
    for bit, ref in enumerate(board.map.chips):
        for rw, address in product((WRITE, READ), probes):
            mapped = bool(int(board.map.responds[rw, address]) >> bit & 1)
            assert mapped == answers(ref, tables, rw, address), (ref, rw, hex(address))


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    start=st.integers(0, 15),
    length=st.integers(1, 16),
    size_bits=st.integers(0, 15),
)
def test_a_chip_repeats_through_its_range_with_its_address_pins_on_the_lowest_lines(
    start: int, length: int, size_bits: int
) -> None:
    first, last = start * 0x1000, min(start + length, 16) * 0x1000 - 1
    chip = Chip(
        "U6",
        role="ram",
        size=1 << size_bits,
        decoding=Decoding(((first, last),), ((first, last),)),
    )
    offsets = build_map([chip], (), complete=True).offsets[0]
    expected = [
        address % (1 << size_bits) if first <= address <= last else -1 for address in range(0x10000)
    ]
    assert offsets.tolist() == expected


def test_decoders_that_feed_each_other_are_refused(write_board: Callable[..., Board]) -> None:
    text = (
        'cpu = "6502"\n'
        '[[chips]]\nref = "U7"\npart = "74LS138"\ninputs = { A = "U8.Y0", B = "A14", C = "A15" }\n'
        '[[chips]]\nref = "U8"\npart = "74LS138"\ninputs = { A = "U7.Y0", B = "A14", C = "A15" }\n'
        'outputs = { Y0 = "U9" }\n[[chips]]\nref = "U9"\nrole = "io"\n'
    )
    with pytest.raises(ValueError, match=r"in a circle\n  found:    U8\.Y0 -> U7\.Y0 -> U8\.Y0"):
        write_board(text)
    assert issubclass(WiringLoop, ValueError)
