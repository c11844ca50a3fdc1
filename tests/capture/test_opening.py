"""The front door: which reader gets a file, and what is said when none does."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from bustrace import compiled
from bustrace.capture import chunks, open_capture, opening
from bustrace.capture.cache_note import cache_notes
from bustrace.errors import CaptureError

VCD = "$timescale 1 us $end $var wire 1 ! CK $end $enddefinitions $end\n#0\n0!\n#5\n1!\n#9\n"
CSV = "Time [s],CK,RW\n0.000,0,1\n0.001,1,1\n0.002,0,0\n"


def write(folder: Path, text: str | bytes, name: str = "export") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_content_decides_not_the_name(tmp_path: Path):
    assert open_capture(write(tmp_path, VCD, "a.csv")).lines == ("CK",)
    assert open_capture(write(tmp_path, CSV, "a.vcd")).lines == ("CK", "RW")


def test_a_byte_order_mark_and_blank_lines_do_not_hide_a_vcd_file(tmp_path: Path):
    assert open_capture(write(tmp_path, "\ufeff\n\n  " + VCD)).lines == ("CK",)


def test_naming_the_format_skips_the_look(tmp_path: Path):
    path = write(tmp_path, CSV)
    assert open_capture(path, format="CSV").lines == ("CK", "RW")
    with pytest.raises(CaptureError, match="before \\$enddefinitions"):
        open_capture(path, format="vcd")


def test_an_unknown_format_lists_the_known_ones(tmp_path: Path):
    with pytest.raises(CaptureError, match=r"--format(.|\n)*vcd, csv"):
        open_capture(write(tmp_path, VCD), format="xls")


@pytest.mark.parametrize(
    "content",
    [b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", b"PK\x03\x04\x14\0\0\0", b"\0" * 99],
    ids=["picture", "archive", "zeros"],
)
def test_a_file_of_another_kind_lists_the_known_formats(tmp_path: Path, content: bytes):
    with pytest.raises(CaptureError, match="no format") as caught:
        open_capture(write(tmp_path, content))
    assert "VCD" in str(caught.value.expected)
    assert "CSV" in str(caught.value.expected)


@pytest.mark.parametrize("content", ["", "\n \n"])
def test_an_empty_file_says_so(tmp_path: Path, content: str):
    with pytest.raises(CaptureError, match="empty"):
        open_capture(write(tmp_path, content))


def test_a_tie_is_an_error_and_never_a_guess(tmp_path: Path, monkeypatch):
    keen = [
        opening._Format(known.name, known.title, lambda head: True, known.read, known.options)
        for known in opening._FORMATS
    ]
    monkeypatch.setattr(opening, "_FORMATS", tuple(keen))
    with pytest.raises(CaptureError, match=r"more than one(.|\n)*--format vcd or --format csv"):
        open_capture(write(tmp_path, VCD))


def test_no_reader_claims_the_others_files():
    for text in (VCD, CSV):
        claims = [known.name for known in opening._FORMATS if known.recognises(text.encode())]
        assert claims == ["vcd" if text is VCD else "csv"]


def test_overrides_reach_the_reader(tmp_path: Path):
    path = write(tmp_path, VCD)
    capture = open_capture(
        path, rate=Fraction(7), mode="state", lines=["CK"], time_unit="ns", chunk_bytes=2
    )
    assert (capture.rate, capture.mode, capture.end_ps) == (7, "state", 9000)
    assert capture.source == str(path)


def test_an_option_of_the_other_format_is_refused_by_name(tmp_path: Path):
    with pytest.raises(CaptureError, match="--separator"):
        open_capture(write(tmp_path, VCD), separator=";")


def test_a_missing_file_is_the_users_error(tmp_path: Path):
    with pytest.raises(CaptureError, match="cannot be read"):
        open_capture(tmp_path / "absent")


# Without a folder for compiled code


def test_kernels_work_uncached_where_no_folder_can_be_written_and_say_so(monkeypatch):
    """numba raises RuntimeError when it finds no folder to write to."""
    import numba

    def njit(*, cache: bool = False, **options: bool):
        def decorate(function):
            if cache:
                raise RuntimeError("no locator available")
            return function

        return decorate

    monkeypatch.setattr(numba, "njit", njit)
    monkeypatch.setattr(compiled, "_uncached", [])
    assert cache_notes() == ()

    @compiled.compiled
    def twice(number: int) -> int:
        return 2 * number

    assert twice(4) == 8
    (note,) = cache_notes()
    assert "NUMBA_CACHE_DIR" in note.text


def test_the_note_on_uncached_kernels_reaches_the_capture(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(compiled, "_uncached", ["read_changes"])
    capture = open_capture(write(tmp_path, VCD))
    assert any("NUMBA_CACHE_DIR" in note.text for note in capture.notes)


# The progress bar


@pytest.mark.parametrize(
    ("terminal", "patience", "shown"), [(True, -1, True), (True, 9, False), (False, -1, False)]
)
def test_progress_is_shown_on_a_terminal_after_a_while(
    monkeypatch, capsys, terminal, patience, shown
):
    monkeypatch.setattr("sys.stderr.isatty", lambda: terminal)
    monkeypatch.setattr(chunks, "_PATIENCE_S", patience)
    with chunks.progress_over(10, "Reading") as advance:
        advance(4)
        advance(6)
    captured = capsys.readouterr()
    assert ("Reading" in captured.err) == shown
    assert captured.out == ""
