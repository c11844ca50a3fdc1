"""What README.md says is so: its session, its Python, its links, its options, its board file."""

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bustrace import load_board
from bustrace.board import map_rows
from bustrace.cli import cli

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
README = (ROOT / "README.md").read_text(encoding="utf-8")
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")


def fenced(text: str, language: str) -> list[str]:
    """Contents of the fenced blocks in that language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def commands(text: str) -> list[list[str]]:
    """Every command line of bustrace in fenced and indented blocks, split as a shell would."""
    blocks = [*fenced(text, "sh"), *fenced(text, "console")]
    blocks += re.findall(r"^ {4,}bustrace .*$", text, re.MULTILINE)
    joined = "\n".join(blocks).replace("\\\n", " ")
    lines = re.findall(r"^[ $]*(?:\.venv/bin/)?bustrace +([a-z].*)$", joined, re.MULTILINE)
    return [shlex.split(line, comments=True) for line in lines]


def parameters(command: click.Command) -> list[click.Parameter]:
    """Parameters of a command, or of all commands of a group."""
    inner = command.commands.values() if isinstance(command, click.Group) else ()
    return [*command.params, *(param for one in inner for param in one.params)]


def run(words: list[str], folder: Path, monkeypatch: pytest.MonkeyPatch) -> click.testing.Result:
    """The command's result, run in an empty folder that holds the fixtures."""
    (folder / "fixtures").symlink_to(ROOT / "fixtures")
    (folder / "demo-out").mkdir()
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    return CliRunner().invoke(cli, words, prog_name="bustrace")


@pytest.mark.slow
def test_the_session_gives_what_it_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lines under the command are the first lines that it prints, and the picture is there."""
    (session,) = fenced(README, "console")
    make, command, *shown = session.splitlines()
    assert make == "$ make demo"
    result = run(shlex.split(command.removeprefix("$ bustrace ")), tmp_path, monkeypatch)
    assert result.exit_code == 1
    assert len(shown) >= 3
    assert result.stdout.splitlines()[: len(shown)] == shown
    assert (tmp_path / "demo-out/timeline.png").read_bytes().startswith(b"\x89PNG")


def test_make_demo_runs_the_session() -> None:
    """The Makefile's demo is the command in the session."""
    (session,) = fenced(README, "console")
    told = MAKEFILE
    for name, value in re.findall(r"^(\w+) [:?]?= (.*)$", MAKEFILE, re.MULTILINE):
        told = told.replace(f"$({name})", value)
    command = session.splitlines()[1].removeprefix("$ bustrace ")
    assert f".venv/bin/bustrace {command};" in told


def test_the_way_without_make_is_the_same_diagnosis() -> None:
    """Capture and board file of the plain commands are the demo's."""
    plain, session = (
        next(words for words in commands("".join(f"```{kind}\n{b}```\n" for b in blocks)))
        for kind, blocks in (
            ("sh", fenced(README, "sh")[:1]),
            ("console", fenced(README, "console")),
        )
    )
    assert plain[:-1] == session[:-1]


@pytest.mark.slow
def test_the_python_block_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It runs as it stands, from the top of the source tree, and finds the demo's fault."""
    from matplotlib.figure import Figure

    (block,) = fenced(README, "python")
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    assert capsys.readouterr().out == "fault open:A1@U4\n"
    assert isinstance(names["figure"], Figure)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Every relative link is a file of the project, every fragment a heading there."""
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("https://"):
            continue
        name, _, heading = target.partition("#")
        file = page.parent / name if name else page
        assert file.exists(), target
        assert file.resolve().is_relative_to(ROOT), target
        if heading:
            text = file.read_text(encoding="utf-8")
            titles = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
            plain = [re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in titles]
            assert heading in plain, target


def test_every_page_of_the_folder_is_linked() -> None:
    """Nobody has to list the folder to find a page."""
    everything = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    linked = {Path(target).name for target in re.findall(r"\]\(([^)#\s]+)", everything)}
    assert {page.name for page in (ROOT / "docs").glob("*.md")} <= linked


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_and_options_exist(page: Path) -> None:
    """Commands shown are commands, with options of theirs; options named in the text exist."""
    text = page.read_text(encoding="utf-8")
    options = {
        name: {opt for param in parameters(command) for opt in param.opts} | {"--help", "-h"}
        for name, command in cli.commands.items()
    }
    for name, *words in commands(text):
        used = {word for word in words if re.fullmatch(r"--?[a-z][a-z-]*", word)}
        assert used <= options[name], (name, words)
    named = {
        option
        for span in re.findall(r"(?<!`)`([^`\n]+)`(?!`)", text)
        if span.startswith("--")
        for option in re.findall(r"--[a-z][a-z-]+", span)
    }
    assert named <= set().union(*options.values()) | {"--version"}


def test_the_commands_at_the_bench_are_all_there_are() -> None:
    """README shows each command once at least."""
    assert {name for name, *_ in commands(README)} == set(cli.commands)


def test_the_board_file_loads(tmp_path: Path) -> None:
    """With a ROM image of its range beside it, and it maps the board that the text says."""
    (block,) = fenced(README, "toml")
    (tmp_path / "board.toml").write_text(block, encoding="utf-8")
    (tmp_path / "rom.bin").write_bytes(bytes(range(256)) * 128)
    board = load_board(tmp_path / "board.toml")
    owners = {row.readers: row for row in map_rows(board) if row.readers}
    assert set(owners) == {("ROM",), ("RAM",)}
