"""Every example in docs/formats.md is read as the line below it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bustrace.capture import open_capture
from bustrace.units import format_rate, parse_rate

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```(\w+)\n(.*?)^```\nRead as: ([^\n]*)$", TEXT, re.MULTILINE | re.DOTALL)


def shown(lines):
    """Line names as the document writes them: runs of a bus's bits by their ends."""
    parts = []
    for line in lines:
        stem = re.fullmatch(r"(.*)\[(\d+)\]", line)
        if parts and stem and parts[-1][-1] == f"{stem[1]}[{int(stem[2]) - 1}]":
            parts[-1].append(line)
        else:
            parts.append([line])
    return ", ".join(f"{p[0]} to {p[-1]}" if len(p) > 2 else ", ".join(p) for p in parts)


def test_no_example_is_without_its_reading():
    assert len(EXAMPLES) == TEXT.count("\n```\n") == 10


@pytest.mark.parametrize(("kind", "content", "said"), EXAMPLES, ids=range(len(EXAMPLES)))
def test_examples_are_read_as_they_say(tmp_path: Path, kind: str, content: str, said: str):
    path = tmp_path / "example"
    options = {}
    if kind == "hex":
        path.write_bytes(bytes.fromhex(content))
        options = {"raw_bits": 8, "rate": parse_rate("24MHz"), "names": ["PHI2", "RW"]}
    else:
        path.write_text(content, encoding="utf-8")
    capture = open_capture(path, **options)
    words = [capture.mode, shown(capture.lines)]
    if capture.rate is not None:
        words.append(format_rate(capture.rate, "S/s"))
    assert "; ".join(words) == said
    assert len(capture) > 1
