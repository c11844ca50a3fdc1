"""The guide to names says what the code does."""

import re
import tomllib
from pathlib import Path

from bustrace.hookup import PINS, load_hookup, meaning_of, parse_pin

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "hookup.md"


def _table() -> dict[str, list[str]]:
    rows = re.findall(r"^\| (`.*?) \| (.*) \|$", GUIDE.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.match(r"`(\w+)`", pin)[1]: re.findall(r"`([^`]+)`", names) for pin, names in rows}


def test_every_name_in_the_table_means_its_pin() -> None:
    for pin, names in _table().items():
        assert {name: getattr(meaning_of(name), "pin", None) for name in names} == dict.fromkeys(
            names, pin
        )


def test_the_table_lists_every_pin() -> None:
    shown = set(_table()) | {f"A{i}" for i in range(16)} | {f"D{i}" for i in range(8)}
    assert shown == set(PINS)


def test_the_example_file_loads(tmp_path: Path) -> None:
    example = re.search(r"```toml\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)[1]
    path = tmp_path / "clips.toml"
    path.write_text(example, encoding="utf-8")
    lines = load_hookup(path)
    assert lines == tomllib.loads(example)["lines"]
    for pin in lines.values():
        assert pin == "-" or parse_pin(pin)
