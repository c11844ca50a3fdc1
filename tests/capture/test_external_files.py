"""Files of other programs, by way of the real converter; and what is said when it fails.

sigrok-cli is a general program of its own: what it writes and how it reads is the outside witness
here.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bustrace.capture import external, open_capture, write_vcd
from bustrace.errors import CaptureError
from bustrace.units import sample_index

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SLEEP = f"exec {shutil.which('sleep')} 60"
NAMES = [f"D{bit}" for bit in range(8)]


@pytest.fixture(scope="session")
def sigrok():
    """A function that runs the real program."""
    program = shutil.which("sigrok-cli")
    if program is None:
        reason = "sigrok-cli is not installed: apt install sigrok-cli"
        if os.environ.get("BUSTRACE_REQUIRE_DATA"):
            pytest.fail(reason)
        pytest.skip(reason)

    def run(*words):
        subprocess.run([program, *map(str, words)], check=True, stdin=subprocess.DEVNULL)

    return run


def session_file(path: Path) -> Path:
    """A zip that starts like a session file and is none."""
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("version", "2")
    return path


def samples_of(capture) -> np.ndarray:
    """Every sample of a timing capture: uint64, shape (samples,)."""
    index = [sample_index(int(time), capture.rate) for time in capture.time_ps]
    count = sample_index(capture.end_ps, capture.rate)
    return capture.state[np.searchsorted(index, np.arange(count), side="right") - 1]


# With the real program


@pytest.mark.slow
@pytest.mark.parametrize("rate", [500_000, 8_333_333, 12_500_000, 24_000_000, 1_000_000_000])
def test_a_session_of_the_demo_source_is_read_as_its_samples(sigrok, tmp_path: Path, rate: int):
    """The program's own dump of the same samples, read here, gives the same capture.

    The rate is stated to all its digits, and most of these have no whole number of ps a sample.
    """
    session, samples = tmp_path / "demo.sr", tmp_path / "demo.bin"
    some = ["--samples", 50_003, "-C", ",".join(NAMES)]
    sigrok("-d", "demo", "-c", f"samplerate={rate}", *some, "-o", session)
    sigrok("-i", session, "-O", "binary", "-o", samples)
    converted = open_capture(session)
    assert converted.same_as(open_capture(samples, raw_bits=8, rate=Fraction(rate), names=NAMES))
    assert len(converted) > 1000
    assert converted.rate == rate
    assert converted.source == str(session)
    assert "sigrok-cli" in converted.notes[0].text
    assert not [note for note in converted.notes if note.kind == "doubt"]


@pytest.mark.slow
def test_analog_channels_do_not_disturb(sigrok, tmp_path: Path):
    """The demo source has five of them beside its eight lines."""
    session = tmp_path / "mixed.sr"
    sigrok("-d", "demo", "-c", "samplerate=1m", "--samples", 1000, "-o", session)
    assert open_capture(session).lines == tuple(NAMES)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["clock_stops", "d2_d4_short", "triage"])
def test_our_captures_come_back_from_a_session_file(sigrok, tmp_path: Path, name: str):
    """VCD to a session file and back: the same capture. 100 ps ticks, 62.5 ns a sample."""
    capture = open_capture(FIXTURES / f"tide_gauge_{name}" / "capture.csv")
    # The program takes spaces out of names.
    capture = replace(capture, lines=tuple(line.replace(" ", "") for line in capture.lines))
    written, session = tmp_path / "ours.vcd", tmp_path / "ours.sr"
    write_vcd(capture, written, timescale="100 ps")
    sigrok("-I", "vcd:downsample=625", "-i", written, "-o", session)
    assert open_capture(session).same_as(capture)


@pytest.mark.slow
def test_our_samples_come_back_from_a_session_file_at_a_rate_without_whole_ps(
    sigrok, tmp_path: Path
):
    """24 MS/s, 29 lines, four bytes a sample, names with brackets."""
    capture = open_capture(FIXTURES / "tide_gauge_clock_stops" / "capture.csv")
    count = len(capture.lines)
    dump, session = tmp_path / "ours.bin", tmp_path / "ours.sr"
    dump.write_bytes(samples_of(capture).astype("<u4").tobytes())
    names = ",".join(f"{bit}={name}" for bit, name in enumerate(capture.lines))
    told = f"binary:numchannels={count}:samplerate=24000000"
    sigrok("-I", told, "-i", dump, "-C", names, "-o", session)
    raw = open_capture(dump, raw_bits=32, rate=Fraction(24_000_000), names=capture.lines)
    assert open_capture(session).same_as(raw)
    assert np.array_equal(raw.state, capture.state)


@pytest.mark.slow
def test_lines_can_be_chosen(sigrok, tmp_path: Path):
    session = tmp_path / "demo.sr"
    sigrok("-d", "demo", "-c", "samplerate=1m", "--samples", 1000, "-o", session)
    assert open_capture(session, lines=["D3", "D1"]).lines == ("D1", "D3")
    with pytest.raises(CaptureError, match="no such line") as caught:
        open_capture(session, lines=["D9"])
    assert caught.value.path == str(session)


@pytest.mark.slow
def test_a_file_name_is_never_taken_for_an_option(sigrok, tmp_path: Path, monkeypatch):
    """Relative names that begin with a dash, or look like options with values."""
    monkeypatch.chdir(tmp_path)
    sigrok("-d", "demo", "-c", "samplerate=1m", "--samples", 100, "-o", tmp_path / "a.sr")
    for name in ("--version", "-o", "--output-file=stolen.vcd", "a b;c.sr"):
        shutil.copy(tmp_path / "a.sr", tmp_path / name)
        assert open_capture(name).lines == tuple(NAMES)
    assert not (tmp_path / "stolen.vcd").exists()


def test_a_damaged_session_is_one_message(sigrok, tmp_path: Path):
    path = session_file(tmp_path / "damaged.sr")
    with pytest.raises(CaptureError, match="sigrok-cli cannot convert it") as caught:
        open_capture(path)
    assert caught.value.path == str(path)
    assert "VCD or CSV" in str(caught.value.advice)


def test_what_the_program_does_not_know_is_no_format(sigrok, tmp_path: Path):
    path = tmp_path / "words.txt"
    path.write_bytes(b"Dear Sir or Madam\n\x00\x01\n")
    with pytest.raises(CaptureError, match="no format that can be read"):
        open_capture(path)


# Without it, or with one that misbehaves


@pytest.fixture
def only(tmp_path: Path, monkeypatch):
    """A function: a shell script that becomes the only program to be found."""
    folder = tmp_path / "programs"
    folder.mkdir()
    shell = {name: shutil.which(name) for name in ("sh", "sleep", "head", "touch")}

    def install(script: str | None, shows: str = "echo '- A: logic'"):
        if script is not None:
            program = folder / "sigrok-cli"
            script = f'if [ "$3" = --show ]; then {shows}; exit 0; fi\n{script}'
            lines = [f'{name}() {{ {path} "$@"; }}' for name, path in shell.items() if path]
            program.write_text("\n".join([f"#!{shell['sh']}", *lines[1:], script, ""]))
            program.chmod(0o755)
        monkeypatch.setenv("PATH", str(folder))

    return install


def test_where_the_program_is_absent_one_message_tells_both_ways(only, tmp_path: Path):
    """What to install, and what to do without it."""
    only(None)
    with pytest.raises(CaptureError, match="not installed") as caught:
        open_capture(session_file(tmp_path / "a.sr"))
    assert "apt install sigrok-cli" in str(caught.value.advice)
    assert "VCD or CSV" in str(caught.value.advice)


def test_an_unknown_file_says_that_the_program_could_help(only, tmp_path: Path):
    only(None)
    path = tmp_path / "words.txt"
    path.write_bytes(b"Dear Sir or Madam\n\x00\x01\n")
    with pytest.raises(CaptureError, match="no format") as caught:
        open_capture(path)
    assert "apt install sigrok-cli" in str(caught.value.advice)
    assert "--raw-bits" in str(caught.value.advice)


def test_a_missing_file_is_told_before_the_program_is(only, tmp_path: Path):
    only(None)
    with pytest.raises(CaptureError, match="cannot be read"):
        open_capture(tmp_path / "none.sr", format="other")


def test_a_program_that_takes_too_long_is_ended(only, tmp_path: Path):
    only(SLEEP)
    with pytest.raises(CaptureError, match="too long"):
        external.read_external(session_file(tmp_path / "a.sr"), patience_s=0.1)


def test_a_file_that_grows_too_large_is_not_read(only, tmp_path: Path):
    only(f'head -c 3000000 /dev/zero > "$6"; {SLEEP}')
    with pytest.raises(CaptureError, match="more than 1 MB"):
        external.read_external(session_file(tmp_path / "a.sr"), largest_bytes=1 << 20)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is bounded on Linux only")
def test_memory_of_the_program_is_bounded(only, tmp_path: Path):
    """In KiB, as the shell tells it; the limit is set just after the start."""
    only(f'sleep 0.3; ulimit -v > "{tmp_path}/limit"; exit 3')
    with pytest.raises(CaptureError, match="cannot convert"):
        open_capture(session_file(tmp_path / "a.sr"))
    assert int((tmp_path / "limit").read_text()) == 4 << 20


@pytest.mark.parametrize("script", ["exit 0", 'touch "$6"', "echo no such thing >&2; exit 3"])
def test_a_program_that_makes_nothing_is_an_error_with_its_words(only, tmp_path: Path, script):
    only(script)
    with pytest.raises(CaptureError, match="cannot convert") as caught:
        open_capture(session_file(tmp_path / "a.sr"))
    assert caught.value.found == ("no such thing" if "such" in script else None)


@pytest.mark.parametrize(
    ("shows", "words"),
    [
        ("echo 'Channels: 1'; echo '- A1: analog'", "no logic lines"),
        ("echo '- A,B: logic'; echo '- A1: analog'", "analog channels"),
        ("echo none >&2; exit 1", "cannot convert"),
    ],
)
def test_channels_that_cannot_be_read_are_told(only, tmp_path: Path, shows: str, words: str):
    """No logic at all, names that would be taken for lists of names, no answer."""
    only("exit 0", shows)
    with pytest.raises(CaptureError, match=words):
        open_capture(session_file(tmp_path / "a.sr"))


def test_what_the_program_makes_is_read_with_the_same_care(only, tmp_path: Path):
    """A broken VCD file is an error of the file that was given, and no folder is left."""
    only('echo "\\$timescale 1 ns \\$end" > "$6"; echo "$6" > "' + str(tmp_path) + '/where"')
    path = session_file(tmp_path / "a.sr")
    with pytest.raises(CaptureError, match="enddefinitions") as caught:
        open_capture(path)
    assert caught.value.path == str(path)
    where = Path((tmp_path / "where").read_text().strip())
    assert where.parent.name.startswith("bustrace-")
    assert not where.parent.exists()


def test_files_that_no_reader_knows_are_offered_to_the_program(only, tmp_path: Path):
    """Unless an option was given that only our own readers have."""
    vcd = "$timescale 1 us $end $var wire 1 ! A $end $enddefinitions $end #0 0! #1 1!"
    only(f"echo '{vcd}' > \"$6\"")
    path = tmp_path / "strange"
    path.write_bytes(b"\x01\x02strange\n")
    assert open_capture(path).lines == ("A",)
    with pytest.raises(CaptureError, match="no format"):
        open_capture(path, separator=";")


def test_times_off_the_grid_are_kept_and_doubted(only, tmp_path: Path):
    vcd = (
        "$timescale 1 ns $end $comment at 24 MHz, sampled $end $var wire 1 ! A $end "
        "$enddefinitions $end\n#0\n0!\n#20\n1!\n#417\n"
    )
    (tmp_path / "made.vcd").write_text(vcd)
    only(f'while read -r line; do echo "$line"; done < \'{tmp_path}/made.vcd\' > "$6"')
    capture = open_capture(session_file(tmp_path / "a.sr"))
    assert capture.time_ps.tolist() == [0, 20_000]
    assert any(note.kind == "doubt" and "kept as written" in note.text for note in capture.notes)


def test_only_session_files_are_claimed_by_their_first_bytes():
    assert not external.looks_like_session(b"PK\x03\x04\x14\0\0\0")
    assert not external.looks_like_session(b"PK\x03\x04" + bytes(22) + b"\x04\0\0\0book")
    assert external.looks_like_session(b"PK\x03\x04" + bytes(22) + b"\x07\0\0\0version2")
