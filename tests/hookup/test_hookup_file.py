"""The hookup file."""

from pathlib import Path

import pytest

from bustrace.errors import HookupError
from bustrace.hookup import load_hookup


def write(folder: Path, text: str) -> Path:
    path = folder / "clips.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_lines_come_back_as_written(tmp_path: Path) -> None:
    path = write(tmp_path, 'format = 1\n[lines]\n"CH0" = "PHI2"\nCH1 = "!RES@U1.40"\n')
    assert load_hookup(path) == {"CH0": "PHI2", "CH1": "!RES@U1.40"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('format = 1\n[line]\n"CH0" = "PHI2"\n', "unknown key 'line'; the nearest is lines"),
        ('[lines]\n"CH0" = "PHI2"\n', "must say which format"),
        ("format = 2\n", "must say which format"),
        ("format = true\n", "must say which format"),
        ("format = 1\nlines = 3\n", "must be a table"),
        ('format = 1\n[lines]\n"CH0" = 2\n', "a pin is written as text"),
        ("format = 1\n[lines\n", "is not TOML"),
    ],
)
def test_a_bad_file_says_what_is_wrong(tmp_path: Path, text: str, message: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(HookupError, match=message) as caught:
        load_hookup(path)
    assert caught.value.path == str(path)


def test_a_missing_file_and_one_that_is_no_text_are_user_errors(tmp_path: Path) -> None:
    with pytest.raises(HookupError, match="cannot be read"):
        load_hookup(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(HookupError, match="not UTF-8"):
        load_hookup(tmp_path / "binary.toml")
