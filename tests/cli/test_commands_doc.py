"""docs/commands.md and the program say the same."""

import re
import shlex
from pathlib import Path

import click
import pytest

from bustrace.cli import cli

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(
    r"^ {4,}(bustrace (?:look|diagnose|compare|listing|draw|convert|board|drill) .*)$",
    TEXT,
    re.MULTILINE,
)
FROM_FIXTURES = [
    line
    for line in EXAMPLES
    if ("fixtures/" in line and "hookup.toml" not in line) or re.search(r" drill new \w+day", line)
]


def _options(command):
    if isinstance(command, click.Group):
        return set().union(*(_options(inner) for inner in command.commands.values()))
    return {
        opt
        for param in command.params
        if isinstance(param, click.Option)
        for opt in param.opts
        if opt not in ("-o",)
    }


def test_every_option_is_explained_and_every_explained_option_exists():
    """No option without words, no words without an option."""
    known = set().union(*(_options(command) for command in cli.commands.values()))
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", TEXT)) - {"--help", "--version"}
    assert named == known
    headings = re.findall(r"^`(?:-o`, `)?(--.*)$", TEXT, re.MULTILINE)
    explained = {opt for line in headings for opt in re.findall(r"--[a-z-]+", line)}
    assert known - {"--help"} <= explained


def test_every_example_fits_its_command():
    """Options in an example belong to the command it shows."""
    assert len(EXAMPLES) > 25
    for line in EXAMPLES:
        _, name, *words = shlex.split(line)
        used = {word for word in words if word.startswith("--")}
        assert used <= _options(cli.commands[name]), line


@pytest.mark.slow
@pytest.mark.parametrize("line", FROM_FIXTURES, ids=range(len(FROM_FIXTURES)))
def test_examples_run(run, tmp_path, line):
    """Those that use the fixtures do what they say."""
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    result = run(*shlex.split(line)[1:])
    assert result.exit_code in ((0, 1) if re.search(" (diagnose|compare) ", line) else (0,)), (
        result.output
    )
    picture = re.search(r"(?:-o|--picture) (\S+)", line)
    assert picture is None or (tmp_path / picture[1]).stat().st_size > 1000
