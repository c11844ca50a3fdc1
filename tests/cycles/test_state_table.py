"""A table of bus cycles says what the cycles were, and gives them back."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.board import load_board
from bustrace.capture import Capture, open_capture
from bustrace.cycles import find_cycles, write_state_table
from bustrace.hookup import identify_hookup

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
LINES = (
    *(f"ADDR{bit}" for bit in range(16)),
    *(f"DATA{bit}" for bit in range(8)),
    *("RW", "SYNC", "RES", "IRQ", "CS_ROM", "CS_RAM"),
)
COLUMNS = (
    *("time_ps", "address", "address_known", "data", "data_known", "control", "control_known"),
    *("selects", "selects_known", "owner"),
)


def cycles_of(capture, board=None, told=None):
    return find_cycles(capture, identify_hookup(capture, board, told or {}), board)


def back(cycles, path, board=None):
    """The cycles that a table of `cycles` is read as."""
    write_state_table(cycles, path, board=board)
    capture = open_capture(path)
    assert capture.mode == "state"
    return cycles_of(capture, board)


def assert_same(cycles, other):
    assert set(other.select_names) <= set(cycles.select_names)
    for name in COLUMNS:
        assert np.array_equal(getattr(cycles, name), getattr(other, name)), name


def rows_of(path: Path) -> list[dict[str, str]]:
    """The table as Python's own csv module reads it."""
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def state_capture(lines, states, known=None) -> Capture:
    count = len(states)
    return Capture(
        mode="state",
        time_ps=np.arange(count, dtype=np.int64) * 10**6,
        state=np.array(states, dtype=np.uint64),
        known=None if known is None else np.array(known, dtype=np.uint64),
        lines=tuple(lines),
        rate=None,
        gaps=np.empty((0, 2), dtype=np.int64),
        end_ps=count * 10**6,
    )


@pytest.mark.slow
@settings(deadline=None)
@given(data=st.data())
def test_any_lines_known_or_not_come_back(tmp_path_factory, data):
    """Every choice of lines that has names, each level known or not."""
    kept = data.draw(st.lists(st.booleans(), min_size=len(LINES), max_size=len(LINES)), "kept")
    kept[LINES.index("RW")] = True
    lines = [line for line, keep in zip(LINES, kept, strict=True) if keep]
    full = (1 << len(lines)) - 1
    words = st.integers(0, full)
    count = data.draw(st.integers(1, 20), "rows")
    known = data.draw(st.lists(st.one_of(st.just(full), words), min_size=count, max_size=count))
    # A line that was never known was not captured, as far as cycles tell.
    known[0] = full
    states = data.draw(st.lists(words, min_size=count, max_size=count), "states")
    states = [state & seen for state, seen in zip(states, known, strict=True)]
    cycles = cycles_of(state_capture(lines, states, known))
    assert_same(cycles, back(cycles, tmp_path_factory.mktemp("table") / "table.csv"))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["healthy/capture.vcd", "triage/capture.csv", "ram_a1_open/*.tsv"])
def test_cycles_found_by_their_clock_come_back_with_their_times(tmp_path: Path, name: str):
    """Buses whole and in part, selects by the board's names and levels."""
    board = load_board(FIXTURES / "tide_gauge" / "board.toml")
    (path,) = FIXTURES.glob(f"tide_gauge_{name}")
    cycles = cycles_of(open_capture(path), board)
    again = back(cycles, tmp_path / "table.csv", board)
    assert_same(cycles, again)
    assert len(again) > 2000


@pytest.mark.slow
def test_the_table_says_what_the_bus_truly_did(captures_dir: Path, tmp_path: Path):
    """Truth of the simulated chip, beside the table read by Python's csv module."""
    truth = np.load(captures_dir / "healthy.truth.npz")
    cycles = cycles_of(open_capture(captures_dir / "healthy.vcd"))
    write_state_table(cycles, tmp_path / "table.csv")
    rows = rows_of(tmp_path / "table.csv")
    offset = len(truth["addr"]) - len(rows)
    assert 0 <= offset <= 2  # cycles at the edges of the capture are not whole
    for start in range(offset + 1):
        part = slice(start, start + len(rows))
        same = [int(row["ADDRESS[15:0]"][1:], 16) for row in rows] == truth["addr"][part].tolist()
        if same:
            break
    assert same
    assert [int(row["DATA[7:0]"][1:], 16) for row in rows] == truth["data"][part].tolist()
    for pin in ("RW", "SYNC", "RES"):
        assert [int(row[pin]) for row in rows] == truth[pin.lower()][part].tolist()
    assert [int(row["Cycle"]) for row in rows] == list(range(len(rows)))


def test_whole_buses_are_hex_and_unknown_digits_are_x(tmp_path: Path):
    lines = [*(f"ADDR{bit}" for bit in range(13)), *(f"DATA{bit}" for bit in range(8)), "RW"]
    known = (1 << len(lines)) - 1
    partly = known & ~(0xF << 4) & ~(0xFF << 13)
    cycles = cycles_of(
        state_capture(lines, [0x1FFC | 0xA9 << 13 | 1 << 21, 0x0C0F], [known, partly])
    )
    write_state_table(cycles, tmp_path / "table.csv")
    first, second = rows_of(tmp_path / "table.csv")
    assert first == {"Cycle": "0", "ADDRESS[12:0]": "$1FFC", "DATA[7:0]": "$A9", "RW": "1"}
    assert second == {"Cycle": "1", "ADDRESS[12:0]": "$0CxF", "DATA[7:0]": "$xx", "RW": "0"}


def test_a_digit_known_in_part_is_not_lost(tmp_path: Path):
    """Then the bus has a column a line."""
    lines = [*(f"DATA{bit}" for bit in range(8)), "RW"]
    cycles = cycles_of(state_capture(lines, [0x1FF, 0x100], [0x1FF, 0x1FE]))
    write_state_table(cycles, tmp_path / "table.csv")
    rows = rows_of(tmp_path / "table.csv")
    assert [row["DATA[0]"] for row in rows] == ["1", "x"]
    assert [row["DATA[1]"] for row in rows] == ["1", "0"]


def test_selects_are_levels_of_their_pins(tmp_path: Path):
    """Active low unless the board says otherwise."""
    cycles = cycles_of(state_capture(["RW", "CS_ROM"], [0b01, 0b11]))
    assert cycles.select("ROM").tolist() == [1, 0]
    write_state_table(cycles, tmp_path / "table.csv")
    assert [row["CS_ROM"] for row in rows_of(tmp_path / "table.csv")] == ["0", "1"]


def test_an_active_high_select_is_read_with_its_board(tmp_path: Path):
    (tmp_path / "board.toml").write_text(
        'format = 1\ncpu = "6502"\n[[chips]]\nref = "U4"\nrole = "ram"\nrange = "$0000-$07FF"\n'
        'select = { line = "RAMSEL", active = "high" }\n',
        encoding="utf-8",
    )
    board = load_board(tmp_path / "board.toml")
    cycles = cycles_of(state_capture(["RW", "RAMSEL"], [0b11, 0b01]), board)
    assert cycles.select("U4").tolist() == [1, 0]
    assert_same(cycles, back(cycles, tmp_path / "table.csv", board))
    assert [row["CS_U4"] for row in rows_of(tmp_path / "table.csv")] == ["1", "0"]


def test_nothing_to_write_is_said(tmp_path: Path):
    cycles = cycles_of(state_capture(["RW"], [1, 0]))
    nothing = np.zeros(2, dtype=np.uint16)
    with pytest.raises(ValueError, match="nothing but the clock"):
        write_state_table(
            replace(cycles, control=nothing, control_known=nothing), tmp_path / "table.csv"
        )
    with pytest.raises(ValueError, match="no bus cycles"):
        write_state_table(cycles_of(state_capture(["RW"], [])), tmp_path / "table.csv")
    assert not list(tmp_path.iterdir())
