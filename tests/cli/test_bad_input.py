"""Every kind of unusable input: exit code 2, one message that names the place, nothing written."""

import pytest

BOARD = """format = 1
cpu = "6502"
[[chips]]
ref = "U4"
role = "ram"
range = "$0000-$07FF"
"""


def _wide(path):
    """A VCD file with more lines than a capture holds."""
    names = [f"line{n}" for n in range(70)]
    head = "".join(f"$var wire 1 {chr(33 + n)} {name} $end\n" for n, name in enumerate(names))
    path.write_text(
        f"$timescale 1 ns $end\n{head}$enddefinitions $end\n#0\n0!\n#10\n", encoding="ascii"
    )


@pytest.fixture
def place(tmp_path):
    """A folder with good and bad files."""
    (tmp_path / "good.csv").write_text(
        "Time [s],PHI2,RES,RW\n"
        + "".join(f"{n * 125e-9:.9f},{n // 4 % 2},{int(n > 99)},1\n" for n in range(600)),
        encoding="ascii",
    )
    (tmp_path / "good.vcd").write_text(
        "$timescale 1 ns $end\n$var wire 1 ! PHI2 $end\n$enddefinitions $end\n#0\n0!\n#500\n1!\n",
        encoding="ascii",
    )
    _wide(tmp_path / "wide.vcd")
    (tmp_path / "board.toml").write_text(BOARD, encoding="utf-8")
    (tmp_path / "key.toml").write_text(BOARD + "sokceted = true\n", encoding="utf-8")
    (tmp_path / "broken.toml").write_text("format = 1\ncpu = \n", encoding="utf-8")
    (tmp_path / "hookup.toml").write_text("format = 1\n[liens]\n", encoding="utf-8")
    (tmp_path / "clips.toml").write_text('format = 1\n[lines]\nCH9 = "RW"\n', encoding="utf-8")
    (tmp_path / "pins.toml").write_text('format = 1\n[lines]\nRW = "QQ7"\n', encoding="utf-8")
    (tmp_path / "word.csv").write_text(
        "Time [s],PHI2,RW\n0,1,0\n1e-6,0,wait\n2e-6,0,1\n", encoding="ascii"
    )
    (tmp_path / "wide.csv").write_text("Time [s],PHI2\n0,1\n1e-6,0\n", encoding="utf-16")
    (tmp_path / "sheet.csv").write_bytes(b"PK\x03\x04\x14\0\0\0[Content_Types].xml" * 20)
    (tmp_path / "packed.vcd").write_bytes(b"\x1f\x8b\x08\0" * 30)
    (tmp_path / "noise.csv").write_bytes(bytes(n * n * 31 & 0xFF for n in range(7, 2000)))
    (tmp_path / "row.csv").write_text("Time [s],PHI2\n0,1\n1e-6,0\n2e-6,0,1\n", encoding="ascii")
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "words.txt").write_text("Dear Sir or Madam\n\x00\x01\n", encoding="ascii")
    (tmp_path / "rom.bin").write_bytes(bytes(64))
    (tmp_path / "folder").mkdir()
    return tmp_path


CAPTURES = {
    "no such file": ("none.vcd", ["none.vcd", "no such file"]),
    "a folder": ("folder", ["folder", "directory"]),
    "an empty file": ("empty.csv", ["empty.csv", "empty"]),
    "no known format": ("words.txt", ["words.txt", "VCD", "CSV"]),
    "a row with too many cells": ("row.csv", ["row.csv", "line 4"]),
    "a cell that is no level": ("word.csv", ["word.csv", "line 3", "'RW'", "wait"]),
    "UTF-16": ("wide.csv", ["wide.csv", "UTF-16", "UTF-8"]),
    "a spreadsheet": ("sheet.csv", ["sheet.csv", "spreadsheet", "save the table as CSV"]),
    "a compressed file": ("packed.vcd", ["packed.vcd", "compressed", "unpack"]),
    "binary junk": ("noise.csv", ["noise.csv", "binary data", "--raw-bits"]),
    "too many lines": ("wide.vcd", ["wide.vcd", "lines PHI2,RW"]),
}
OPTIONS = {
    "board: no such file": (["--board", "no.toml"], ["no.toml", "no such file"]),
    "board: a folder": (["--board", "folder"], ["folder", "not a file"]),
    "board: unknown key": (["--board", "key.toml"], ["key.toml", "sokceted", "socketed"]),
    "board: no TOML": (["--board", "broken.toml"], ["broken.toml", "line 2"]),
    "board and rom": (["--board", "board.toml", "--rom", "rom.bin@E000"], ["--board", "--rom"]),
    "rom: no address": (["--rom", "rom.bin"], ["--rom", "rom.bin", "FILE@ADDR"]),
    "rom: bad address": (["--rom", "rom.bin@XYZ"], ["rom.bin", "--rom", "XYZ"]),
    "rom: no such file": (["--rom", "no.bin@E000"], ["no.bin", "no such file"]),
    "rom: too high": (["--rom", "rom.bin@FFF0"], ["rom.bin", "--rom", "$FFFF"]),
    "without: no board": (["--without", "U4"], ["--without", "--board"]),
    "without: no such chip": (["--board", "board.toml", "--without", "U9"], ["--without", "U9"]),
    "without: the CPU": (["--board", "board.toml", "--without", "CPU"], ["--without", "CPU"]),
    "fit: no board": (["--fit", "U4=rom.bin"], ["--fit", "--board"]),
    "fit: no file": (["--board", "board.toml", "--fit", "U4"], ["--fit", "U4", "REF=FILE"]),
    "fit: a RAM": (["--board", "board.toml", "--fit", "U4=rom.bin"], ["--fit", "U4", "ROM"]),
    "hookup: no such file": (["--hookup", "no.toml"], ["no.toml"]),
    "hookup: unknown key": (["--hookup", "hookup.toml"], ["hookup.toml", "liens", "lines"]),
    "hookup: no such line": (["--hookup", "clips.toml"], ["CH9", "PHI2"]),
    "line: no pin": (["--line", "PHI2"], ["--line", "PHI2", "NAME=PIN"]),
    "line: no such line": (["--line", "PHI9=PHI2"], ["PHI9", "nearest"]),
    "line: no such pin": (["--line", "PHI2=QQ7"], ["QQ7"]),
    "format": (["--format", "xls"], ["--format", "xls", "vcd"]),
    "rate": (["--rate", "fast"], ["--rate", "fast", "24MHz"]),
    "rate of nothing": (["--rate", "0"], ["--rate", "above zero"]),
    "mode": (["--mode", "both"], ["--mode", "both", "state"]),
    "time unit": (["--time-unit", "weeks"], ["--time-unit", "weeks"]),
    "separator": (["--separator", "?"], ["--separator"]),
    "decimal": (["--decimal", "x"], ["--decimal"]),
    "threshold": (["--threshold", "much"], ["--threshold", "much", "1.4"]),
    "base": (["--base", "oct"], ["--base", "oct", "hex"]),
    "line: says which option": (["--line", "PHI2=QQ7"], ["--line PHI2: ", "'QQ7'"]),
    "hookup: says which entry": (["--hookup", "pins.toml"], ["pins.toml, lines.RW: ", "'QQ7'"]),
    "lines: no such line": (["--lines", "PHI2,NONE"], ["NONE"]),
    "unknown option": (["--bord", "board.toml"], ["--bord"]),
}


def _refused(result, words):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    missing = [word for word in words if word not in result.stderr]
    assert not missing, f"{missing} not in: {result.stderr}"


@pytest.mark.parametrize("command", ["look", "diagnose", "listing", "draw"])
@pytest.mark.parametrize(("name", "words"), CAPTURES.values(), ids=CAPTURES)
def test_a_capture_that_cannot_be_used(run, place, command, name, words):
    """Missing, a folder, empty, unknown, broken: the file and the place in it."""
    more = ["-o", "out.png"] if command == "draw" else []
    _refused(run(command, name, *more), words)
    assert not (place / "out.png").exists()


@pytest.mark.parametrize("command", ["look", "diagnose"])
@pytest.mark.parametrize(("options", "words"), OPTIONS.values(), ids=OPTIONS)
def test_an_option_that_cannot_be_used(run, place, command, options, words):
    """The option or the key, the value, and what is allowed."""
    _refused(run(command, "good.csv", *options), words)


@pytest.mark.parametrize(
    "option", [["--separator", ";"], ["--decimal", ","], ["--threshold", "2V"], ["--base", "hex"]]
)
def test_an_option_of_another_format(run, place, option):
    """CSV options do not apply to a VCD file."""
    _refused(run("look", "good.vcd", *option), [option[0], "good.vcd", "VCD"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["draw", "good.csv"], ["--output"]),
        (["draw", "good.csv", "-o", "p.png", "--first", "9", "--last", "3"], ["--last 3"]),
        (["draw", "good.csv", "-o", "p.png", "--first", "9", "--around", "3"], ["--around"]),
        (["draw", "good.csv", "-o", "p.png", "--first", "-1"], ["--first"]),
        (["draw", "good.csv", "-o", "p.png", "--width", "1"], ["--width"]),
        (["draw", "good.csv", "-o", "p.png", "--lines", "NONE"], ["NONE"]),
        (["draw", "wide.vcd", "-o", "p.png"], ["wide.vcd", "--file-lines"]),
        (["draw", "good.csv", "-o", "p.bmp"], ["p.bmp", ".png"]),
        (["draw", "good.csv", "-o", "no/p.png"], ["p.png", "folder"]),
        (
            ["draw", "good.csv", "-o", "p.png", "--first", "74"],
            ["--first 74", "74 cycles, 0 to 73"],
        ),
        (["draw", "good.csv", "-o", "p.png", "--around", "900"], ["--around 900", "74 cycles"]),
        (["draw", "none.csv", "-o", "no/p.png"], ["p.png", "folder"]),
        (["diagnose", "none.csv", "--picture", "no/p.png"], ["p.png", "folder"]),
        (["diagnose", "none.csv", "--picture", "folder"], ["folder"]),
        (["diagnose", "good.csv", "--picture", "p.gif"], ["p.gif", ".png"]),
        (["listing", "good.csv", "--from", "50", "--to", "2"], ["--to 2", "--from 50"]),
        (["listing", "good.csv", "--from", "5000"], ["--from 5000", "74 cycles"]),
        (["listing", "good.csv", "--from", "main"], ["--from main", "a cycle (1200)"]),
        (["listing", "good.csv", "--to", "$1234"], ["--to $1234", "was executed"]),
        (["listing", "good.csv", "--to", "3s"], ["--to 3s", "does not go there"]),
        (["listing", "good.csv", "--phases", "--cycles"], ["either --phases or --cycles"]),
        (["listing", "good.csv", "--phases", "--to", "9"], ["--phases"]),
        (
            ["listing", "good.csv", "--symbols", "board.toml"],
            ["board.toml", "line 1", "name = $hex"],
        ),
        (["board", "no.toml"], ["no.toml"]),
        (["board", "key.toml"], ["sokceted"]),
        (["board", "board.toml", "--fit", "=x"], ["--fit"]),
        (["board"], ["BOARD"]),
        (["diagnose"], ["CAPTURE"]),
        (["diagnoze", "good.csv"], ["diagnoze"]),
    ],
)
def test_what_a_command_cannot_do(run, place, words, said):
    """Each command's own options and arguments."""
    _refused(run(*words), said)
    assert not list(place.glob("**/p.*"))


def test_a_file_that_may_not_be_read(run, place, monkeypatch):
    """No permission is a message, too."""

    def refuse(path, mode):
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr("bustrace.capture.chunks.open", refuse, raising=False)
    _refused(run("look", "good.csv"), ["good.csv", "permission"])
