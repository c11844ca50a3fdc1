"""Each command does what it says, and ends with the code it says."""

import json

import click
import jsonschema
import pytest
from click.testing import CliRunner
from numba.core import event

from bustrace import cli as command_line
from bustrace.cli_output import tell_of_compiling
from bustrace.report import diagnosis_schema

SMALL = "clock_stops"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "code", "first"),
    [
        ("healthy", 0, "NO FAULT SEEN"),
        ("triage", 0, "HEALTHY UP TO"),
        ("clock_stops", 1, "FAULT, very likely: the clock stops"),
        ("healthy_channels", 3, "CANNOT CONCLUDE"),
    ],
)
def test_exit_code_is_the_verdicts(run, board, capture, name, code, first):
    """0 no fault seen, 1 fault, 3 cannot conclude; stdout holds the verdict and nothing else."""
    result = run("diagnose", capture(name), "--board", board)
    assert result.exit_code == code, result.output
    assert result.stdout.startswith(first)
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "\x1b" not in result.stdout


@pytest.mark.parametrize("options", [(), ("--all",), ("--without", "U6")])
def test_json_fits_the_schema_and_stands_alone_on_stdout(run, board, capture, options):
    """Whatever else is asked for, stdout is one JSON document."""
    result = run("diagnose", capture(SMALL), "--board", board, "--json", *options)
    assert result.exit_code == 1, result.output
    document = json.loads(result.stdout)
    jsonschema.Draft202012Validator(diagnosis_schema()).validate(document)
    assert document["board"]["not_fitted"] == (["U6"] if "--without" in options else [])


@pytest.mark.slow
def test_json_of_a_question_goes_with_it_on_stderr(run, board, capture):
    """Doubts and questions are on stderr where the result has no words for them."""
    result = run("diagnose", capture("healthy_channels"), "--board", board, "--json")
    assert result.exit_code == 3
    assert json.loads(result.stdout)["verdict"] == "cannot conclude"
    assert "Question: What are CH0 to CH28 clipped to?" in result.stderr


@pytest.mark.slow
def test_hookup_file_and_lines_name_the_clips(run, board, capture, tmp_path):
    """The file names most, options the rest and win."""
    pins = ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "SYNC"]
    rows = "\n".join(f'"CH{n}" = "{pin}"' for n, pin in enumerate(pins))
    hookup = tmp_path / "hookup.toml"
    hookup.write_text(f'format = 1\n[lines]\n{rows}\n"CH27" = "IRQ"\n', encoding="utf-8")
    options = ["--board", board, "--hookup", hookup, "--line", "CH27=RES", "--line", "CH28=IRQ"]
    result = run("diagnose", capture("healthy_channels"), *options)
    assert result.exit_code == 0, result.output


@pytest.mark.slow
def test_rom_alone_judges_the_rom(run, board, capture):
    """Without a board file, `--rom` finds that its bytes are not the image's."""
    image = board.parent / "tide_gauge.bin"
    result = run("diagnose", capture("rom_content"), "--rom", f"{image}@E000", "--json")
    assert result.exit_code == 1, result.output
    findings = json.loads(result.stdout)["findings"]
    assert ["ROM"] in [f["chips"] for f in findings if f["rule"] == "rom-content"]


@pytest.mark.slow
def test_another_image_can_be_fitted(run, board, capture, tmp_path):
    """With an image of noise fitted, the healthy board's ROM is wrong."""
    (tmp_path / "other.bin").write_bytes(bytes(n * 7 & 0xFF for n in range(8192)))
    result = run("diagnose", capture(SMALL), "--board", board, "--fit", "U5=other.bin", "--json")
    found = [f["rule"] for f in json.loads(result.stdout)["findings"]]
    assert "rom-content" in found


@pytest.mark.slow
def test_picture_beside_the_verdict(run, board, capture, tmp_path):
    """The picture is written and named on stderr; the verdict stays on stdout."""
    picture = tmp_path / "stops.svg"
    result = run("diagnose", capture(SMALL), "--board", board, "--picture", picture)
    assert result.exit_code == 1, result.output
    assert picture.read_bytes().startswith(b"<?xml")
    assert str(picture) in result.stderr
    assert result.stdout.startswith("FAULT")


@pytest.mark.slow
@pytest.mark.parametrize(
    "options",
    [
        ("--first", "10", "--last", "60", "--grey", "--lines", "CLK,address,A9,program"),
        ("--around", "100", "--title", "Board 7", "--width", "8"),
        ("--file-lines", "CLK,RESETn,ADDR,DATA", "--first", "0"),
    ],
)
def test_draw_writes_the_picture(run, board, capture, options):
    """Every way to choose what is drawn."""
    lines = capture(SMALL).read_text(encoding="utf-8").splitlines()
    names = next(line for line in lines if "CLK" in line)
    if "--file-lines" in options:
        held = [name.strip(' "') for name in names.split(",")]
        options = ("--file-lines", ",".join(held[1:8]), *options[2:])
    result = run("draw", capture(SMALL), "--board", board, "-o", "out.png", *options)
    assert result.exit_code == 0, result.output
    assert "out.png" in result.stderr
    assert result.stdout == ""


def test_listing_of_a_span(run, board, capture):
    """The heading, then one line a cycle."""
    span = ("--cycles", "--from", "30", "--to", "34")
    result = run("listing", capture(SMALL), "--board", board, *span)
    assert result.exit_code == 0, result.output
    head, *lines = result.stdout.splitlines()
    assert "instruction" in head
    assert 5 <= len(lines) <= 16
    assert any(line.startswith("       30") for line in lines)


def test_places_are_cycles_times_addresses_and_names(run, board, capture, tmp_path):
    """All four of the same instruction: TXS at $E004."""
    names = tmp_path / "names.sym"
    names.write_text("set_stack = $E004", encoding="utf-8")
    whole = run("listing", capture(SMALL), "--board", board).stdout.splitlines()
    (line,) = (line for line in whole if "TXS" in line)
    cycle = line.split()[0]
    for place in (cycle, "$E004", "set_stack", f"{int(cycle) + 1}us"):
        shown = run(
            "listing", capture(SMALL), "--board", board, "--symbols", str(names),
            "--from", place, "--to", place,
        ).stdout.splitlines()  # fmt: skip
        assert [text.split()[:4] for text in shown if "TXS" in text] == [line.split()[:4]], place
        assert len(shown) == 3, place


def test_the_story_of_the_boot(run, board, capture):
    """Phases, then what goes on all along."""
    result = run("listing", capture(SMALL), "--board", board, "--phases")
    assert result.exit_code == 0, result.output
    assert "reset, then starts at $E000" in result.stdout
    assert "All along" in result.stdout


def test_listing_without_a_program_cannot_conclude(run, capture):
    """Nothing to list is said on stderr, with why."""
    result = run("listing", capture("healthy_channels"))
    assert result.exit_code == 3
    assert result.stdout == ""
    assert "Nothing to list: no clock line was captured" in result.stderr


def test_look_needs_no_board(run, capture):
    """Names, rate, clock, reset."""
    result = run("look", capture("triage"))
    assert result.exit_code == 0, result.output
    for words in ("16 MS/s", "Phase 2 as phase 2: 1 MHz", "In view: Reset", "Select ROM"):
        assert words in result.stdout


def test_look_with_a_board_knows_its_selects(run, board, capture):
    """The board file's own names are taken, and pins are told apart by what was given."""
    result = run("look", capture("triage"), "--board", board, "--line", "Sync=-")
    assert "select:U5" in result.stdout
    assert "Sync        not used" in result.stdout


def test_board_shows_its_map(run, board):
    """Chips, addresses, what is not fitted."""
    result = run("board", board, "--without", "U6")
    assert result.exit_code == 0, result.output
    assert "$E000-$FFFF  U5" in result.stdout
    assert "NOT FITTED" in result.stdout


def test_version_and_help():
    """Both answer without a capture; each command shows all its options."""
    runner = CliRunner()
    assert runner.invoke(command_line.cli, ["--version"]).stdout.startswith("bustrace ")
    for name, command in command_line.cli.commands.items():
        shown = runner.invoke(command_line.cli, [name, "--help"])
        assert shown.exit_code == 0
        for param in command.params:
            if isinstance(param, click.Option):
                assert param.help, f"{name} {param.opts} has no help"
                assert param.opts[-1] in shown.stdout


def test_commands_are_these():
    """The names are fixed."""
    assert set(command_line.cli.commands) == {
        "look", "diagnose", "compare", "listing", "draw", "convert", "board", "drill",
    }  # fmt: skip


def test_compiling_is_told_once_and_only_while_the_command_runs(capsys):
    """One line on stderr at the first compilation, however many follow."""

    def compile_one():
        event.start_event("numba:compile", data={})
        event.end_event("numba:compile", data={})

    with click.Context(command_line.cli):
        tell_of_compiling()
        assert capsys.readouterr().err == ""
        compile_one()
        compile_one()
        assert capsys.readouterr().err.count("Compiling the fast parts") == 1
    compile_one()
    assert capsys.readouterr().err == ""
