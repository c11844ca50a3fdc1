"""Files of names: plain lines, and one clear message for what is none."""

import pytest

from bustrace.errors import InputError
from bustrace.program.symbols import MAX_BYTES, load_symbols


def written(folder, text):
    path = folder / "names.sym"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_names_comments_and_empty_lines(tmp_path):
    found = load_symbols(
        written(tmp_path, "# firmware\n\nmain = $E0A3   # the loop\nport.b=0x8000\nalso = $e0a3\n")
    )
    assert found.addresses == {"main": 0xE0A3, "port.b": 0x8000, "also": 0xE0A3}
    assert found.names == {0xE0A3: "main", 0x8000: "port.b"}


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("main = $E0A3\nmain = $E0A4\n", 2, "was $E0A3 in line 1"),
        ("ok = $1\nnonsense\n", 2, "no name with an address"),
        ("main = 57344\n", 1, "name = $hex"),
        ("9lives = $1000\n", 1, "no name"),
        ("far = $12345\n", 1, "no name"),
    ],
)
def test_bad_lines_are_named(tmp_path, text, line, what):
    with pytest.raises(InputError) as caught:
        load_symbols(written(tmp_path, text))
    assert caught.value.line == line
    assert what in str(caught.value)


def test_a_missing_and_an_endless_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_symbols(str(tmp_path / "none.sym"))
    with pytest.raises(InputError, match="more than"):
        load_symbols(written(tmp_path, "#" * (MAX_BYTES + 1)))
