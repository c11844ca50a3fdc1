"""What holds for every VCD file: generated ones, against a plain parser, libraries and itself."""

from __future__ import annotations

import dataclasses
import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import pywellen
import vcd
import vcdvcd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bustrace.capture import Capture, read_vcd, vcd_writer, write_vcd
from bustrace.capture import _kernels_vcd as kernels
from bustrace.errors import CaptureError
from tests.strategies import captures

pytestmark = pytest.mark.slow


def same_file(examples: int = 100) -> settings:
    """Settings: the file is rewritten for each example, nothing of the last one is left."""
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )


SIZES = {"A": 1, "B": 1, "BUS": 4, "WIDE": 21}
CODES = {"A": "!", "B": "#", "BUS": "x1", "WIDE": "long~code"}
LEVELS = "01xzXZ"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "capture.vcd"


def header(*, shuffled: bool = False) -> str:
    names = list(SIZES)
    order = reversed(names) if shuffled else names
    declared = "".join(f"$var wire {SIZES[name]} {CODES[name]} {name} $end\n" for name in order)
    return (
        f"$timescale 1 ns $end\n$scope module m $end\n{declared}"
        "$upscope $end\n$enddefinitions $end\n"
    )


@st.composite
def changes(draw: st.DrawFn) -> str:
    name = draw(st.sampled_from(list(SIZES)))
    if SIZES[name] == 1:
        return draw(st.sampled_from(LEVELS)) + CODES[name]
    digits = draw(st.text(LEVELS, min_size=1, max_size=SIZES[name]))
    return f"{draw(st.sampled_from('bB'))}{digits} {CODES[name]}"


@st.composite
def bodies(draw: st.DrawFn, *, plain: bool = False) -> str:
    """Values at rising times, in the many layouts a body may have."""
    blank = st.just("\n") if plain else st.sampled_from(["\n", "\n", " ", "\r\n", " \t\n  "])
    extra = [] if plain else ["$comment 1! #3 $end", "$dumpall", "$end", "$dumpoff", "$dumpon"]
    time = 0
    words = []
    for _ in range(draw(st.integers(1, 12))):
        words.append(f"#{time}")
        words += draw(
            st.lists(changes() | st.sampled_from(extra) if extra else changes(), max_size=5)
        )
        time += draw(st.integers(1 if plain else 0, 3000))
    words.append(f"#{time}")
    return "".join(word + draw(blank) for word in words)


def oracle(body: str) -> tuple[list[tuple[int, str]], list[list[int]], int]:
    """Rows, gaps and end of a body, word by word; levels WIDE, BUS, B, A as one string."""
    levels = {name: "x" * size for name, size in SIZES.items()}
    names = {code: name for name, code in CODES.items()}
    rows: list[tuple[int, str]] = []
    gaps, off, time, words = [], None, None, iter(body.split())

    def keep() -> None:
        joined = "".join(levels[name] for name in reversed(SIZES))
        if time is not None and rows and rows[-1][0] == time:
            rows.pop()
        if time is not None and (not rows or rows[-1][1] != joined):
            rows.append((time, joined))

    for word in words:
        if word[0] == "#":
            keep()
            time = int(word[1:])
        elif word == "$comment":
            while next(words) != "$end":
                pass
        elif word == "$dumpoff" and off is None:
            off = time
            levels = {name: "x" * size for name, size in SIZES.items()}
        elif word == "$dumpon" and off is not None:
            gaps += [[off * 1000, time * 1000]] if off < time else []
            off = None
        elif word[0] != "$":
            digits, code = (word[1:], next(words)) if word[0] in "bB" else (word[0], word[1:])
            digits = digits.lower().replace("z", "x")
            size = SIZES[names[code]]
            if off is None:
                levels[names[code]] = digits.rjust(size, "x" if digits[0] == "x" else "0")
    keep()
    gaps += [[off * 1000, time * 1000]] if off is not None and off < time else []
    return rows, gaps, time


def as_rows(capture: Capture) -> list[tuple[int, str]]:
    columns = np.array([capture.levels(line) for line in reversed(capture.lines)])
    return [
        (int(time) // 1000, "".join("01x"[level] for level in columns[:, row]))
        for row, time in enumerate(capture.time_ps)
    ]


@same_file()
@given(body=bodies())
def test_rows_gaps_and_end_are_those_of_a_plain_parser(file: Path, body: str):
    file.write_bytes((header() + body).encode())
    capture = read_vcd(file)
    rows, gaps, end = oracle(body)
    assert as_rows(capture) == rows
    assert capture.gaps.tolist() == gaps
    assert capture.end_ps == end * 1000


@same_file()
@given(body=bodies(), chunk_bytes=st.integers(1, 200))
def test_any_chunk_size_gives_the_same_capture(file: Path, body: str, chunk_bytes: int):
    file.write_bytes((header() + body).encode())
    whole, chunked = read_vcd(file), read_vcd(file, chunk_bytes=chunk_bytes)
    assert chunked.same_as(whole)
    assert chunked.notes == whole.notes


@same_file(25)
@given(body=bodies())
def test_the_kernel_does_the_same_as_plain_python(file: Path, body: str):
    file.write_bytes((header() + body).encode())
    compiled = read_vcd(file)
    plain = getattr(kernels.read_changes, "py_func", kernels.read_changes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernels, "read_changes", plain)
        assert read_vcd(file).same_as(compiled)


def test_reading_works_without_compilation(tmp_path: Path):
    """With compilation switched off for the whole program, in another process."""
    path = tmp_path / "capture.vcd"
    path.write_text(header() + "#0\n0!\n1#\nb1x long~code\n#5\n1!\nbz x1\n#9\n")
    code = (
        "import sys; from bustrace.capture import read_vcd; c = read_vcd(sys.argv[1]);"
        "print(c.time_ps.tolist(), c.state.tolist(), c.known.tolist())"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(path)],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    here = read_vcd(path)
    assert done.stdout.strip() == (
        f"{here.time_ps.tolist()} {here.state.tolist()} {here.known.tolist()}"
    )


# Against independent libraries


def bit_changes(capture: Capture) -> dict[str, list[tuple[int, str]]]:
    """Changes of every line; the time before its first known level is left out."""
    found = {}
    for line in capture.lines:
        pairs = zip(capture.time_ps.tolist(), capture.levels(line).tolist(), strict=True)
        found[line] = settle([(time // 1000, "01x"[level]) for time, level in pairs])
    return found


def settle(pairs: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Last level of each time, only where it differs from the one before; x to begin with."""
    last = dict(pairs)
    kept: list[tuple[int, str]] = []
    for time in sorted(last):
        if last[time] != (kept[-1][1] if kept else "x"):
            kept.append((time, last[time]))
    return kept


def split_bits(name: str, size: int, pairs: list[tuple[int, str]]) -> dict[str, list]:
    """Changes of a vector as changes of its bits."""
    padded = [
        (time, digits.lower().replace("z", "x").rjust(size, "x" if digits[0] in "xzXZ" else "0"))
        for time, digits in pairs
    ]
    if size == 1:
        return {name: settle(padded)}
    return {
        f"{name}[{bit}]": settle([(time, digits[size - 1 - bit]) for time, digits in padded])
        for bit in range(size)
    }


def by_pywellen(path: Path) -> dict[str, list[tuple[int, str]]]:
    found = {}
    for var in pywellen.Waveform(str(path)).all_vars():
        name = var.full_name.rpartition(".")[2]
        size = SIZES[name]
        pairs = [
            (time, value if isinstance(value, str) else format(value, f"0{size}b"))
            for time, value in var.tv
        ]
        found |= split_bits(name, size, pairs)
    return found


def by_vcdvcd(path: Path) -> dict[str, list[tuple[int, str]]]:
    parsed = vcdvcd.VCDVCD(str(path))
    found = {}
    for reference in parsed.signals:
        name = reference.rpartition(".")[2].partition("[")[0]
        found |= split_bits(name, SIZES[name], list(parsed[reference].tv))
    return found


@pytest.mark.parametrize("peer", [by_pywellen, by_vcdvcd])
@same_file(50)
@given(body=bodies(plain=True))
def test_levels_are_those_of_an_independent_library(file: Path, body: str, peer):
    everything = "".join(
        f"x{CODES[name]}\n" if size == 1 else f"bx {CODES[name]}\n" for name, size in SIZES.items()
    )
    file.write_text(header() + "#0\n" + everything + body)
    assert bit_changes(read_vcd(file)) == peer(file)


@pytest.mark.parametrize("peer", [by_pywellen, by_vcdvcd])
def test_a_long_file_by_pyvcds_writer_is_read_as_the_libraries_read_it(file: Path, peer):
    rng = np.random.default_rng(3)
    text = io.StringIO()
    with vcd.VCDWriter(text, timescale="1 ns", date="", version="") as writer:
        variables = {
            name: writer.register_var("m", name, "wire", size=size, init="x")
            for name, size in SIZES.items()
        }
        time = 0
        for _ in range(5000):
            time += int(rng.integers(1, 400))
            name = str(rng.choice(list(SIZES)))
            digits = "".join(rng.choice(list("01xz"), size=SIZES[name], p=[0.4, 0.4, 0.1, 0.1]))
            writer.change(variables[name], time, digits)
    file.write_text(text.getvalue())
    assert bit_changes(read_vcd(file, chunk_bytes=5000)) == peer(file)


# Writing, cutting, moving


@same_file()
@given(capture=captures(), rows_at_once=st.sampled_from([1, 3, 4096]))
def test_writing_then_reading_gives_the_same_capture(
    file: Path, capture: Capture, rows_at_once: int
):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd_writer, "_ROWS_AT_ONCE", rows_at_once)
        write_vcd(capture, file)
    back = read_vcd(file)
    assert back.same_as(capture)
    assert not [note for note in back.notes if note.kind != "fact"]


@same_file()
@given(capture=captures(modes=("timing",)))
def test_what_is_written_other_libraries_read(file: Path, capture: Capture):
    plain = dataclasses.replace(capture, lines=tuple(f"L{i}" for i in range(len(capture.lines))))
    write_vcd(plain, file, timescale="1 ps")
    shift = min(0, plain.start_ps)
    theirs = {
        var.full_name.rpartition(".")[2]: settle(
            [(time + shift, str(value).replace("z", "x")) for time, value in var.tv]
        )
        for var in pywellen.Waveform(str(file)).all_vars()
    }
    ours = {
        line: settle(
            [
                (time, "01x"[level])
                for time, level in zip(
                    plain.time_ps.tolist(), plain.levels(line).tolist(), strict=True
                )
            ]
        )
        for line in plain.lines
    }
    assert theirs == ours


@same_file()
@given(capture=captures(), data=st.data())
def test_a_cut_file_of_ours_is_an_error_or_a_doubt(file: Path, capture: Capture, data):
    write_vcd(capture, file)
    whole = file.read_bytes()
    file.write_bytes(whole[: data.draw(st.integers(0, len(whole) - 1))])
    try:
        cut = read_vcd(file)
    except CaptureError:
        return
    assert any(note.kind == "doubt" for note in cut.notes)


@same_file()
@given(body=bodies(), data=st.data())
def test_a_cut_file_is_an_error_or_a_doubt_or_says_where_it_ends(file: Path, body: str, data):
    """VCD has no end mark, so a cut right after a time cannot be told from an end."""
    whole = (header() + body).encode()
    kept = whole[: data.draw(st.integers(0, len(whole) - 1))]
    file.write_bytes(kept)
    try:
        cut = read_vcd(file)
    except CaptureError:
        return
    doubted = any(note.kind == "doubt" for note in cut.notes)
    last = kept.decode().split()
    after_a_time = kept[-1:].isspace() and (last[-1][0] == "#" or last[-1] == "$end")
    lost_only_white = kept.split() == whole.split()
    assert doubted or after_a_time or lost_only_white
    assert any("the recording ends at" in note.text for note in cut.notes)


@same_file()
@given(capture=captures(), by=st.integers(-(10**7), 10**7))
def test_shifting_time_changes_nothing_else(file: Path, capture: Capture, by: int):
    moved = dataclasses.replace(
        capture, time_ps=capture.time_ps + by, gaps=capture.gaps + by, end_ps=capture.end_ps + by
    )
    write_vcd(moved, file)
    assert read_vcd(file).same_as(moved)


@same_file()
@given(body=bodies())
def test_declaring_in_another_order_reorders_the_lines_and_nothing_else(file: Path, body: str):
    file.write_bytes((header() + body).encode())
    one = read_vcd(file)
    file.write_bytes((header(shuffled=True) + body).encode())
    other = read_vcd(file)
    assert set(one.lines) == set(other.lines)
    assert one.lines != other.lines
    assert one.time_ps.tolist() == other.time_ps.tolist()
    for line in one.lines:
        assert one.levels(line).tolist() == other.levels(line).tolist()


def test_a_gap_that_ends_with_the_recording_is_kept_with_and_without_levels_after_it(file: Path):
    for rows in (2, 3):
        capture = Capture(
            "timing",
            np.array([0, 1, 3][:rows]),
            np.array([1, 0, 0][:rows], np.uint64),
            np.array([1, 0, 1][:rows], np.uint64),
            ("A",),
            None,
            np.array([[1, 3]]),
            3,
        )
        write_vcd(capture, file)
        assert read_vcd(file).same_as(capture)


def test_levels_are_remembered_from_one_block_of_rows_to_the_next(file: Path, monkeypatch):
    """After a gap, too, where all levels are written anew."""
    monkeypatch.setattr(vcd_writer, "_ROWS_AT_ONCE", 1)
    capture = Capture(
        "timing",
        np.array([0, 1, 2, 3, 4]),
        np.array([1, 0, 0, 1, 0], np.uint64),
        np.array([1, 0, 1, 1, 1], np.uint64),
        ("A",),
        None,
        np.array([[1, 2]]),
        9,
    )
    write_vcd(capture, file)
    assert read_vcd(file).same_as(capture)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch):
    capture = Capture(
        "timing",
        np.array([0, 5]),
        np.array([0, 1], np.uint64),
        None,
        ("A",),
        None,
        np.empty((0, 2), np.int64),
        9,
    )
    path = tmp_path / "capture.vcd"
    path.write_text("old")
    with pytest.raises(ValueError, match="whole numbers"):
        write_vcd(capture, path, timescale="1 ns")

    def fail(*names: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_vcd(capture, path)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", ["two  blanks", "", "a\nb", "x $end", "A [3]"])
def test_a_name_that_would_not_survive_is_refused(tmp_path: Path, name: str):
    capture = Capture(
        "timing",
        np.array([0]),
        np.array([0], np.uint64),
        None,
        (name,),
        None,
        np.empty((0, 2), np.int64),
        9,
    )
    with pytest.raises(ValueError, match="cannot be written"):
        write_vcd(capture, tmp_path / "capture.vcd")
    assert list(tmp_path.iterdir()) == []
