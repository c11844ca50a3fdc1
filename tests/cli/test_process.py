"""The program as a process: pipes, terminals, its own mistakes."""

import os
import subprocess
import sys

import pytest

from bustrace import cli as command_line

PROGRAM = [sys.executable, "-m", "bustrace"]


@pytest.fixture
def quiet(monkeypatch):
    """`main` leaves the process's streams as they are."""
    monkeypatch.setattr(sys, "argv", ["bustrace"])


def _ends_with(capsys):
    with pytest.raises(SystemExit) as end:
        command_line.main()
    return end.value.code, capsys.readouterr()


def test_help_is_light():
    """`--help` and `--version` load neither numpy nor numba nor matplotlib."""
    for words in (["--help"], ["diagnose", "--help"], ["--version"]):
        code = (
            "import sys; from bustrace.cli import cli\n"
            f"cli.main({words!r}, standalone_mode=False)\n"
            "heavy = {'numpy', 'numba', 'matplotlib', 'pydantic', 'rich'} & set(sys.modules)\n"
            "sys.exit(f'{heavy}' if heavy else 0)"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_the_module_runs_and_passes_the_code_on(capture, board):
    """`python -m bustrace`, the verdict on stdout, its code as the exit status."""
    words = ["diagnose", str(capture("clock_stops")), "--board", str(board)]
    done = subprocess.run([*PROGRAM, *words], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout.startswith("FAULT, very likely: the clock stops\n")
    assert "\x1b" not in done.stdout + done.stderr
    bad = subprocess.run([*PROGRAM, "look", "none.vcd"], capture_output=True, text=True)
    assert bad.returncode == 2
    assert bad.stderr.startswith("bustrace: none.vcd: ")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "code"), [(["listing"], 0), (["diagnose", "--all"], 1)], ids=["listing", "diagnose"]
)
def test_a_reader_that_leaves_early_is_no_error(capture, words, code):
    """As with `head`: no traceback, and a verdict keeps its code."""
    command, *options = words
    process = subprocess.Popen(
        [*PROGRAM, command, str(capture("clock_stops")), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    process.stdout.close()
    errors = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=120) == code
    assert "Error" not in errors
    assert "Exception" not in errors


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
@pytest.mark.parametrize(("colour", "wanted"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_colour_on_a_terminal_only(capture, colour, wanted):
    """A terminal gets colours unless NO_COLOR says otherwise."""
    import pty

    master, slave = pty.openpty()
    given = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    process = subprocess.Popen(
        [*PROGRAM, "look", str(capture("triage"))],
        stdout=slave,
        stderr=subprocess.DEVNULL,
        env=given | {"TERM": "xterm-256color"} | colour,
    )
    os.close(slave)
    shown = b""
    while True:
        try:
            block = os.read(master, 65536)
        except OSError:
            break
        if not block:
            break
        shown += block
    os.close(master)
    assert process.wait(timeout=120) == 0
    assert b"Phase 2" in shown
    assert (b"\x1b[" in shown) is wanted


@pytest.mark.slow
def test_a_terminal_without_the_letters_still_gets_the_words(tmp_path):
    """Names that the encoding lacks are escaped instead of ending the program."""
    name = "Φ2 clock"
    rows = "".join(f"{n * 5e-7:.7f},{n % 2}\n" for n in range(40))
    (tmp_path / "a.csv").write_text(f"Time [s],{name}\n{rows}", encoding="utf-8")
    done = subprocess.run(
        [*PROGRAM, "look", str(tmp_path / "a.csv")],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr
    assert b"\\u03a62 clock" in done.stdout


def test_its_own_mistake_is_no_verdict(quiet, monkeypatch, capsys):
    """A bug shows its traceback and ends with 70, not with the 1 of a fault."""

    def fail(*args, **kwargs):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(command_line.cli, "main", fail)
    code, shown = _ends_with(capsys)
    assert code == 70
    assert "ZeroDivisionError: a bug" in shown.err
    assert shown.out == ""


def test_an_interruption_is_no_verdict(quiet, monkeypatch, capsys):
    """Ctrl-C ends with 130 and one word."""

    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(command_line.cli, "main", stop)
    code, shown = _ends_with(capsys)
    assert code == 130
    assert shown.err == "Interrupted.\n"


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
@pytest.mark.parametrize("words", [["--help"], ["look"], ["diagnose"], ["diagnose", "--json"]])
def test_a_full_disk_is_told_in_one_message(capture, words):
    """No traceback, no verdict's exit code."""
    if words[0] != "--help":
        words = [words[0], str(capture("clock_stops")), *words[1:]]
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run([*PROGRAM, *words], stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    said = [line for line in done.stderr.splitlines() if "fast parts" not in line]
    assert said[0].startswith("bustrace: the result cannot be written: No space left")
    assert len(said) == 1


@pytest.mark.slow
def test_a_picture_without_a_home_is_quiet(tmp_path, capture):
    """The picture library has no folder for its settings: nothing the user must know."""
    words = ["diagnose", str(capture("clock_stops")), "--picture", str(tmp_path / "p.svg")]
    place = tmp_path / "no folder"
    place.write_text("", encoding="ascii")
    given = {k: v for k, v in os.environ.items() if k not in ("MPLCONFIGDIR", "XDG_CONFIG_HOME")}
    homeless = given | {"HOME": str(place), "MPLCONFIGDIR": str(place / "x")}
    done = subprocess.run([*PROGRAM, *words], capture_output=True, text=True, env=homeless)
    assert done.returncode == 1, done.stderr
    told = [line for line in done.stderr.splitlines() if "fast parts" not in line]
    assert [line.split(":")[0] for line in told] == ["Picture"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["-", "/dev/stdin"])
def test_a_capture_from_a_pipe_is_refused_with_what_to_do(name):
    """A capture is read more than once."""
    done = subprocess.run(
        [*PROGRAM, "look", name], input="Time,PHI2\n0,1\n", capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "save it to a file" in done.stderr
    assert "Traceback" not in done.stderr
