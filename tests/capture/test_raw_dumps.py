"""Raw sample dumps: nothing is guessed that the file cannot tell."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.capture import open_capture, read_csv, read_raw
from bustrace.errors import CaptureError

RATE = Fraction(24_000_000)


def dump(folder: Path, samples: list[int], width: int, order: str = "little") -> Path:
    path = folder / "samples.bin"
    path.write_bytes(b"".join(sample.to_bytes(width, order) for sample in samples))
    return path


def notes(capture, kind):
    return [note.text for note in capture.notes if note.kind == kind]


def slow_rows(samples, bits, *, keep_all):
    """Oracle: rows of a dump, one sample after the other."""
    rows, last = [], None
    for number, sample in enumerate(samples):
        state = sum((sample >> bit & 1) << place for place, bit in enumerate(bits))
        if keep_all or state != last:
            rows.append((number, state))
        last = state
    return rows


def test_samples_that_change_nothing_are_dropped_and_times_are_exact(tmp_path: Path):
    path = dump(tmp_path, [0, 0, 1, 1, 1, 3, 3, 0], 1)
    capture = open_capture(path, raw_bits=8, rate=RATE, names=["PHI2", "RW"])
    assert capture.mode == "timing"
    assert capture.lines == ("PHI2", "RW")
    assert capture.time_ps.tolist() == [0, 83_333, 208_333, 291_666]
    assert capture.state.tolist() == [0, 1, 3, 0]
    assert capture.end_ps == 333_333
    assert capture.rate == RATE
    assert capture.source == str(path)
    assert not notes(capture, "guess")
    assert not notes(capture, "doubt")


@pytest.mark.slow
@settings(deadline=None)
@given(data=st.data())
def test_any_width_order_choice_and_chunking_gives_what_the_oracle_gives(tmp_path_factory, data):
    width = data.draw(st.integers(1, 8), "width")
    order = data.draw(st.sampled_from(["little", "big"]), "order")
    pool = data.draw(st.lists(st.integers(0, 256**width - 1), min_size=1, max_size=4), "pool")
    samples = data.draw(st.lists(st.sampled_from(pool), min_size=1, max_size=40), "samples")
    kept = data.draw(st.lists(st.booleans(), min_size=1, max_size=8 * width), "kept")
    kept[0] = True
    mode = data.draw(st.sampled_from(["timing", "state"]), "mode")
    path = dump(tmp_path_factory.mktemp("raw"), samples, width, order)
    capture = read_raw(
        path,
        raw_bits=8 * width,
        raw_order=order,
        names=[f"N{bit}" if keep else "-" for bit, keep in enumerate(kept)],
        rate=Fraction(10**6),
        mode=mode,
        chunk_bytes=data.draw(st.integers(1, 50), "chunk"),
    )
    bits = [bit for bit, keep in enumerate(kept) if keep]
    expected = slow_rows(samples, bits, keep_all=mode == "state")
    assert capture.lines == tuple(f"N{bit}" for bit in bits)
    assert capture.time_ps.tolist() == [number * 10**6 for number, _ in expected]
    assert capture.state.tolist() == [state for _, state in expected]
    assert capture.end_ps == len(samples) * 10**6


def test_a_table_of_the_same_samples_gives_the_same_rows(tmp_path: Path):
    """A table ends at the time of its last row; a dump holds that for one sample more."""
    samples = np.random.default_rng(6).integers(0, 16, 500).tolist()
    names = ["CLK", "RW", "D0", "D1"]
    table = tmp_path / "table.csv"
    rows = "".join(",".join(str(s >> bit & 1) for bit in range(4)) + "\n" for s in samples)
    table.write_text(f"# Sample rate: 24 MHz\n{','.join(names)}\n{rows}", encoding="ascii")
    as_table = read_csv(table)
    as_dump = read_raw(dump(tmp_path, samples, 1), raw_bits=8, names=names, rate=RATE)
    assert as_dump.lines == as_table.lines
    assert np.array_equal(as_dump.time_ps, as_table.time_ps)
    assert np.array_equal(as_dump.state, as_table.state)
    assert (as_table.end_ps, as_dump.end_ps) == (20_791_666, 20_833_333)


def test_the_order_of_bytes_is_a_guess_that_can_be_overridden(tmp_path: Path):
    path = dump(tmp_path, [1, 256], 2)
    guessed = open_capture(path, raw_bits=16, rate=RATE, names=["A"])
    assert guessed.state.tolist() == [1, 0]
    assert "low byte" in notes(guessed, "guess")[0]
    told = open_capture(path, raw_bits=16, raw_order="big", rate=RATE, names=["A"])
    assert told.state.tolist() == [0, 1]
    assert not notes(told, "guess")


def test_state_mode_keeps_every_sample_and_needs_no_rate(tmp_path: Path):
    path = dump(tmp_path, [5, 5, 5, 4], 1)
    capture = open_capture(path, raw_bits=8, mode="state", names=["A", "B", "C"])
    assert (capture.mode, capture.rate) == ("state", None)
    assert capture.state.tolist() == [5, 5, 5, 4]
    assert capture.time_ps.tolist() == [0, 10**6, 2 * 10**6, 3 * 10**6]
    assert capture.end_ps == 4 * 10**6


def test_a_partial_last_sample_is_left_out_and_doubted(tmp_path: Path):
    path = dump(tmp_path, [1, 2, 3], 4)
    path.write_bytes(path.read_bytes()[:-1])
    capture = open_capture(path, raw_bits=32, rate=RATE, names=["A", "B"], chunk_bytes=5)
    assert capture.state.tolist() == [1, 2]
    (doubt,) = notes(capture, "doubt")
    assert "3 of 4 bytes" in doubt


def test_bits_without_a_name_that_move_are_doubted(tmp_path: Path):
    """Silence on them would hide a wrong width."""
    path = dump(tmp_path, [0b1000, 0b1101, 0b1000], 1)
    capture = open_capture(path, raw_bits=8, rate=RATE, names=["A"])
    (doubt,) = notes(capture, "doubt")
    assert "change: 2;" in doubt
    assert capture.lines == ("A",)


@pytest.mark.parametrize(
    ("given_", "missing"),
    [
        ({}, "--raw-bits, --rate, --names"),
        ({"raw_bits": 8}, "--rate, --names"),
        ({"raw_bits": 8, "rate": RATE}, "--names"),
        ({"raw_bits": 8, "names": ["A"]}, "--rate"),
        ({"rate": RATE, "names": ["A"]}, "--raw-bits"),
        ({"raw_bits": 8, "mode": "state"}, "--names"),
    ],
)
def test_what_is_missing_is_named_all_at_once_and_never_guessed(tmp_path: Path, given_, missing):
    path = dump(tmp_path, [1, 2], 1)
    with pytest.raises(CaptureError, match="tells nothing of itself") as caught:
        open_capture(path, format="raw", **given_)
    assert caught.value.key == missing
    assert caught.value.path == str(path)


@pytest.mark.parametrize(
    ("options", "key", "words"),
    [
        ({"raw_bits": 12}, "--raw-bits", "whole bytes"),
        ({"raw_bits": 72}, "--raw-bits", "whole bytes"),
        ({"names": list("ABCDEFGHI")}, "--names", "more names than bits"),
        ({"names": ["A", "A"]}, "--names", "name of its own"),
        ({"names": ["A", ""]}, "--names", "name of its own"),
        ({"names": ["-", "-"]}, "--names", "name of its own"),
        ({"names": []}, "--names", "name of its own"),
        ({"rate": Fraction(1, 10**7)}, "--rate", "106 days"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, options, key, words):
    usual = {"raw_bits": 8, "names": ["A"], "rate": RATE}
    with pytest.raises(CaptureError, match=words) as caught:
        open_capture(dump(tmp_path, [1, 2], 1), **(usual | options))
    assert caught.value.key == key


@pytest.mark.parametrize(("content", "words"), [(b"", "empty"), (b"\1", "no whole sample")])
def test_a_file_without_a_sample_says_so(tmp_path: Path, content: bytes, words: str):
    path = tmp_path / "short.bin"
    path.write_bytes(content)
    with pytest.raises(CaptureError, match=words):
        open_capture(path, raw_bits=16, rate=RATE, names=["A"])


def test_options_of_tables_do_not_apply_to_dumps(tmp_path: Path):
    path = dump(tmp_path, [1], 1)
    with pytest.raises(CaptureError, match="--separator"):
        open_capture(path, raw_bits=8, rate=RATE, names=["A"], separator=";")


def test_names_and_width_do_not_apply_to_other_formats(tmp_path: Path):
    path = tmp_path / "a.csv"
    path.write_text("Time [s],CK,RW\n0.000,0,1\n0.001,1,1\n", encoding="ascii")
    with pytest.raises(CaptureError, match="--names"):
        open_capture(path, names=["A"])


def test_programmers_mistakes_are_value_errors(tmp_path: Path):
    path = dump(tmp_path, [1], 1)
    for wrong in ({"rate": Fraction(0)}, {"mode": "both"}, {"raw_order": "x"}, {"chunk_bytes": 0}):
        with pytest.raises(ValueError, match=r"rate|mode|raw_order|chunk_bytes"):
            read_raw(path, **({"raw_bits": 8, "names": ["A"], "rate": RATE} | wrong))
