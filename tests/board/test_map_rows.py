"""The address map as rows for people."""

from collections.abc import Callable

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.board import Board, MapRow, map_rows, unknown_board


def shown(rows: tuple[MapRow, ...]) -> list[str]:
    lines = []
    for row in rows:
        mirror = "" if row.mirror_of is None else " = ${:04X}-${:04X}".format(*row.mirror_of)
        who = f"r:{','.join(row.readers)} w:{','.join(row.writers)}"
        lines.append(f"${row.first:04X}-${row.last:04X} {who}{mirror} {row.remark}".strip())
    return lines


def test_mirrors_gaps_doubled_drivers_and_the_vectors_owner_are_told(
    write_board: Callable[..., Board],
) -> None:
    image = bytes(0x1FFC) + b"\x00\xe1" + bytes(2)
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U6"\npart = "6116"\nrange = "$0000-$1FFF"\n'
        '[[chips]]\nref = "U8"\nrole = "io"\nrange = "$A000-$A00F"\n'
        '[[chips]]\nref = "U9"\nrole = "io"\nrange = "$A008-$A017"\n'
        '[[chips]]\nref = "U10"\nrole = "other"\nwrite_range = "$B000"\n'
        '[[chips]]\nref = "U4"\nrange = "$E000-$FFFF"\nfile = "m.bin"\n',
        {"m.bin": image},
    )
    assert shown(map_rows(board)) == [
        "$0000-$07FF r:U6 w:U6",
        "$0800-$1FFF r:U6 w:U6 = $0000-$07FF 3 more images",
        "$2000-$9FFF r: w: nobody answers",
        "$A000-$A007 r:U8 w:U8",
        "$A008-$A00F r:U8,U9 w:U8,U9 DOUBLED: U8 and U9 drive the same read",
        "$A010-$A017 r:U9 w:U9",
        "$A018-$AFFF r: w: nobody answers",
        "$B000-$B000 r: w:U10 write only",
        "$B001-$DFFF r: w: nobody answers",
        "$E000-$FFFF r:U4 w: vectors; reset leads to $E100",
    ]


def test_a_mirror_may_hold_the_vectors(write_board: Callable[..., Board]) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U4"\nrange = "$C000-$FFFF"\nfile = "m.bin"\n',
        {"m.bin": bytes(0x1FFC) + b"\x00\xc0" + bytes(2)},
    )
    assert shown(map_rows(board))[-1] == (
        "$E000-$FFFF r:U4 w: = $C000-$DFFF 1 more image; vectors; reset leads to $C000"
    )


def test_vectors_without_an_owner_are_told(write_board: Callable[..., Board]) -> None:
    board = write_board('cpu = "6502"\n')
    assert shown(map_rows(board)) == ["$0000-$FFFF r: w: nobody answers; vectors: nobody answers"]
    assert shown(map_rows(unknown_board())) == [
        "$0000-$FFFF r: w: not described; vectors: not described"
    ]


def test_a_pattern_of_chips_selected_by_single_lines_is_shown_once(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U8"\nrole = "io"\nsize = 16\nrange = "$8000-$9FFF"\n'
        'enable = { CS1 = "A4" }\n'
        '[[chips]]\nref = "U9"\nrole = "io"\nsize = 16\nrange = "$8000-$9FFF"\n'
        'enable = { "/CS1" = "A4" }\n'
    )
    assert shown(map_rows(board)) == [
        "$0000-$7FFF r: w: nobody answers",
        "$8000-$800F r:U9 w:U9",
        "$8010-$801F r:U8 w:U8",
        "$8020-$9FFF r:U9,U8 w:U9,U8 = $8000-$801F the 2 rows above, 255 more times",
        "$A000-$FFFF r: w: nobody answers; vectors: nobody answers",
    ]


RANGE = st.tuples(st.integers(0, 255), st.integers(0, 255)).map(
    lambda ends: f"${min(ends):02X}00-${max(ends):02X}FF"
)


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    ranges=st.lists(RANGE, min_size=1, max_size=4),
    lines=st.lists(st.integers(0, 15).map(lambda bit: f"A{bit}"), max_size=2, unique=True),
    size=st.sampled_from([64, 256, 4096]),
)
def test_rows_cover_every_address_once_and_agree_with_the_map(
    write_board: Callable[..., Board], ranges: list[str], lines: list[str], size: int
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        + "".join(
            f'[[chips]]\nref = "U{n}"\nrole = "ram"\nrange = "{text}"\nsize = {size}\n'
            f"undecoded = {lines}\n".replace("'", '"')
            for n, text in enumerate(ranges)
        )
    )
    rows = map_rows(board)
    assert [row.first for row in rows] == [0, *(row.last + 1 for row in rows[:-1])]
    assert rows[-1].last == 0xFFFF
    for row in rows:
        here = board.map.responds[1, row.first : row.last + 1]
        bits = sum(1 << board.map.index(ref) for ref in row.readers)
        if "rows above" in row.remark:
            assert int(np.bitwise_or.reduce(here)) == bits
        else:
            assert np.all(here == bits)
        if row.mirror_of is not None:
            assert row.mirror_of[1] < row.first
