"""State bits: the map of each state, and the state replayed from bus cycles."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.board import READ, WRITE, Board, StateBit, answers_in, state_of, unknown_board
from bustrace.errors import BoardError

MakeBoard = Callable[..., Board]

BANKED = """
cpu = "6502"
[[state]]
name = "BANK"
reset = 0
from = "U10"
write = "$C000-$C0FF"
bit = 3
[[state]]
name = "ROMOFF"
reset = 0
access = { 0 = "$D000", 1 = "$D001" }
[[chips]]
ref = "U10"
part = "74LS273"
write_range = "$C000-$C0FF"
[[chips]]
ref = "U4"
role = "rom"
size = "16K"
range = "$E000-$FFFF"
bank_lines = ["BANK"]
file = "rom.bin"
when = { ROMOFF = 0 }
[[chips]]
ref = "U6"
role = "ram"
size = "64K"
read_range = "$0000-$DFFF"
write_range = "$0000-$BFFF"
[[chips]]
ref = "U5"
role = "ram"
size = "8K"
write_range = "$E000-$FFFF"
[[chips]]
ref = "U7"
role = "rom"
size = "8K"
read_range = "$E000-$FFFF"
when = { ROMOFF = 1 }
"""
ROM = {"rom.bin": bytes(0x2000) + b"\x11" * 0x2000}


def who(board: Board, state: int, address: int, rw: int = READ) -> set[str]:
    bits = int(board.maps[state].responds[rw, address])
    return {ref for index, ref in enumerate(board.map.chips) if bits >> index & 1}


def test_each_state_has_its_map(write_board: MakeBoard) -> None:
    board = write_board(BANKED, ROM)
    assert len(board.maps) == 4
    assert board.reset_state == 0
    for bank, off in product((0, 1), repeat=2):
        state = bank | off << 1
        assert who(board, state, 0xFFFC) == ({"U7"} if off else {"U4"})
        assert who(board, state, 0x1000) == {"U6"}
    for bank in (0, 1):
        assert set(board.image_bytes("U4", state=bank)[0xE000:].tolist()) == {0x11 * bank}


def test_the_write_goes_through_to_ram_under_rom_and_no_read_is_doubled(
    write_board: MakeBoard,
) -> None:
    board = write_board(BANKED, ROM)
    for state in range(4):
        assert who(board, state, 0xF000, WRITE) == {"U5"}
        assert not board.maps[state].doubled().any()
    # The latch listens at addresses where nothing else is written.
    assert who(board, 0, 0xC000, WRITE) == {"U10"}


def test_two_chips_may_take_one_write_and_only_a_common_read_is_doubled(
    write_board: MakeBoard,
) -> None:
    text = (
        'cpu = "6502"\n[[chips]]\nref = "A"\nrole = "ram"\nsize = "8K"\nrange = "$E000-$FFFF"\n'
        '[[chips]]\nref = "B"\nrole = "ram"\nsize = "8K"\n{0} = "$E000-$FFFF"\n'
    )
    under = write_board(text.replace("{0}", "write_range"))
    assert who(under, 0, 0xE000, WRITE) == {"A", "B"}
    assert not under.map.doubled().any()
    assert int(write_board(text.replace("{0}", "range")).map.doubled().sum()) == 0x2000


ADDRESSES = [0x0000, 0x0001, 0xC000, 0xC0FF, 0xC100, 0xBFFF, 0xD000, 0xD001, 0xD002, 0xFFFF]
CYCLES = st.lists(
    st.tuples(
        st.sampled_from(ADDRESSES),
        st.integers(0, 1),
        st.integers(0, 255),
        st.integers(0, 20).map(lambda n: n == 0),  # in reset
        st.integers(0, 9).map(lambda n: n > 0),  # data known
    ),
    max_size=40,
)


def walked(cycles: list[tuple[int, int, int, bool, bool]]) -> list[list[int | None]]:
    """BANK and ROMOFF during each cycle, one cycle at a time; None is unknown."""
    bank: int | None = None
    off: int | None = None
    rows: list[list[int | None]] = []
    for address, rw, data, reset, known in cycles:
        if reset:
            bank, off = 0, 0
        rows.append([bank, off])
        if reset:
            continue
        if rw == 0 and 0xC000 <= address <= 0xC0FF:
            bank = data >> 3 & 1 if known else None
        if address in (0xD000, 0xD001):
            off = address & 1
    return rows


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(cycles=CYCLES)
@pytest.mark.slow
def test_the_state_of_each_cycle_is_what_a_plain_walk_says(
    write_board: MakeBoard, cycles: list[tuple[int, int, int, bool, bool]]
) -> None:
    board = write_board(BANKED, ROM)
    address, rw, data, reset, known = (list(c) for c in zip(*cycles, strict=True)) if cycles else (
        [], [], [], [], []
    )  # fmt: skip
    state, sure = state_of(
        board,
        np.array(address, np.uint32),
        np.array(rw, np.uint8),
        np.array(data, np.uint8),
        data_known=np.array([255 if k else 0 for k in known], np.uint8),
        in_reset=np.array(reset, np.bool_),
    )
    found = [
        [int(s) >> bit & 1 if int(k) >> bit & 1 else None for bit in (0, 1)]
        for s, k in zip(state, sure, strict=True)
    ]
    assert found == walked(cycles)


def cycles_of(rows: list[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    address, rw, data = zip(*rows, strict=True)
    return np.array(address, np.uint32), np.array(rw, np.uint8), np.array(data, np.uint8)


def test_an_unknown_address_line_leaves_the_bit_unknown_only_where_it_matters(
    write_board: MakeBoard,
) -> None:
    board = write_board(BANKED, ROM)
    address, rw, data = cycles_of([(0, 1, 0), (0xC000, 0, 8), (0, 1, 0), (0x4000, 0, 8), (0, 1, 0)])
    known = np.full(5, 0xFFFF, np.uint32)
    known[1] = 0xFFFE  # A0 is not decoded in $C000-$C0FF
    known[3] = 0x7FFF  # $4000 or $C000
    reset = np.array([True, False, False, False, False])
    state, sure = state_of(board, address, rw, data, address_known=known, in_reset=reset)
    assert [int(x) & 1 for x in sure] == [1, 1, 1, 1, 0]
    assert [int(x) & 1 for x in state] == [0, 0, 1, 1, 0]


def test_a_port_bit_shows_what_was_written_only_while_it_is_an_output() -> None:
    """Direction at $0000 (1 is output), levels at $0001 (sheet of the 6510, from memory)."""
    bit = StateBit("LO", reset=1, port=0)
    board = replace(unknown_board(), state_bits=(bit,))
    rows = [(0, 1, 0), (1, 0, 0), (9, 1, 0), (0, 0, 1), (9, 1, 0), (1, 0, 1), (9, 1, 0), (0, 0, 0)]
    address, rw, data = cycles_of([*rows, (9, 1, 0)])
    reset = np.array([True] + [False] * 8)
    state, sure = state_of(board, address, rw, data, in_reset=reset)
    assert sure.tolist() == [1] * 9
    # Pulled up; written 0 but an input; an output at 0; at 1; an input again.
    assert state.tolist() == [1, 1, 1, 1, 0, 0, 1, 1, 1]


def test_an_unknown_state_makes_an_answer_unknown_never_missing(write_board: MakeBoard) -> None:
    board = write_board(BANKED, ROM)
    address = np.array([0xFFFC, 0x1000, 0xFFFC], np.uint32)
    rw = np.ones(3, np.uint8)
    state, known = np.array([0, 0, 2], np.uint16), np.array([0, 0, 2], np.uint16)
    answers = answers_in(board, address, rw, state, known)
    bit = {ref: 1 << index for index, ref in enumerate(board.map.chips)}
    both = bit["U4"] | bit["U7"]
    # ROMOFF unknown: neither ROM is sure; the RAM below is.
    assert int(answers.responds_known[0]) & both == 0
    assert int(answers.responds[1]) & int(answers.responds_known[1]) & bit["U6"]
    assert int(answers.responds_known[2]) & both == both
    assert int(answers.responds[2]) & both == bit["U7"]


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        ('reset = 0\nwrite = "$C000"', "state[0].bit", "which bit"),
        ("reset = 0", "state[0].write", "what sets the bit"),
        ('reset = 0\nport = 3\nwrite = "$C0"', "state[0].write|state[0].port", "are given"),
        ("reset = 0\nport = 3", "state[0].port", "has no port"),
        ('write = "$C000"\nbit = 0', "state[0].reset", "is missing"),
        ('reset = 2\nwrite = "$C000"\nbit = 0', "state[0].reset", "not a level"),
        ('reset = 0\nwrite = "$C000"\nbit = 8', "state[0].bit", "cannot be used"),
        ('reset = 0\naccess = "$C000"', "state[0].access", "which level"),
        ('reset = 0\naccess = { 2 = "$C000" }', "state[0].access", "no level"),
        ('reset = 0\nwrite = "$C000"\nbit = 0\nby = "read"', "state[0].by", "belongs to access"),
        ('reset = 0\nwrite = "$C000"\nbit = 0\nfrom = "U9"', "state[0].from", "no such chip"),
    ],
)
def test_what_cannot_set_a_bit_is_refused(
    write_board: MakeBoard, text: str, key: str, message: str
) -> None:
    with pytest.raises(BoardError, match=message) as caught:
        write_board(f'cpu = "6502"\n[[state]]\nname = "BANK"\n{text}\n')
    assert caught.value.key in key.split("|")


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["A15"], "already means something else"),
        (["RDY"], "already means something else"),
        (["high"], "already means something else"),
        (["1A"], "cannot be the name"),
        (["BANK", "bank"], "used twice"),
        ([f"S{n}" for n in range(100)], "at most 8 entries"),
    ],
)
def test_names_and_numbers_of_bits_are_bounded(
    write_board: MakeBoard, names: list[str], message: str
) -> None:
    states = "".join(
        f'[[state]]\nname = "{name}"\nreset = 0\nwrite = "$C000"\nbit = 0\n' for name in names
    )
    with pytest.raises(BoardError, match=message):
        write_board('cpu = "6502"\n' + states)


@pytest.mark.parametrize(
    ("chip", "key", "message"),
    [
        (
            'range = "$0000-$0FFF"\nwhen = { BNAK = 1 }',
            ".when.BNAK",
            "no such.*\n.*\n.*\n.*BANK\\?",
        ),
        ('range = "$0000-$0FFF"\nbank_lines = ["X"]', ".bank_lines[0]", "no such"),
        (
            'range = "$0000-$0FFF"\nsize = 3\nbank_lines = ["BANK"]',
            ".bank_lines",
            "cannot be divided",
        ),
        ("when = { BANK = 1 }", ".range", "nothing tells"),
    ],
)
def test_what_a_bank_cannot_do_is_refused(
    write_board: MakeBoard, chip: str, key: str, message: str
) -> None:
    state = '[[state]]\nname = "BANK"\nreset = 0\nwrite = "$C000"\nbit = 0\n'
    with pytest.raises(BoardError, match=message) as caught:
        write_board(f'cpu = "6502"\n{state}[[chips]]\nref = "U6"\nrole = "ram"\n{chip}\n')
    assert caught.value.key == "chips[0]" + key
