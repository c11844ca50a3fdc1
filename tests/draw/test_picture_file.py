"""Picture files: valid, whole or absent, the same every time."""

import xml.etree.ElementTree as ET

import matplotlib.image
import pytest

from bustrace.draw import draw_timeline, save_picture
from bustrace.errors import InputError


@pytest.fixture
def figure(reading_of):
    """A small picture."""
    return draw_timeline(reading_of(60), first=12, last=20)


def test_png_has_the_size_asked_for(figure, tmp_path):
    """The file reads back as an image of width times dots an inch."""
    path = save_picture(figure, tmp_path / "a.png", dpi=50)
    assert path == tmp_path / "a.png"
    assert matplotlib.image.imread(path).shape[1] == 550


@pytest.mark.slow
def test_svg_is_xml_with_the_root_of_the_standard(figure, tmp_path):
    """Root element and namespace as W3C SVG 1.1 gives them."""
    root = ET.parse(save_picture(figure, tmp_path / "a.svg")).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.slow
def test_pdf_begins_and_ends_as_the_standard_says(figure, tmp_path):
    """Header and end marker of ISO 32000-1, 7.5.2 and 7.5.5."""
    content = save_picture(figure, tmp_path / "a.pdf").read_bytes()
    assert content.startswith(b"%PDF-1.")
    assert content.rstrip().endswith(b"%%EOF")


@pytest.mark.slow
@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".png"])
def test_the_same_reading_gives_the_same_bytes(reading_of, tmp_path, suffix):
    """Two figures of one reading are one file."""
    files = [
        save_picture(draw_timeline(reading_of(2000), first=0), tmp_path / f"{name}{suffix}")
        for name in "ab"
    ]
    assert files[0].read_bytes() == files[1].read_bytes()


@pytest.mark.parametrize("name", ["a.gif", "a", "a.PNGX"])
def test_another_suffix_is_an_input_error(figure, tmp_path, name):
    """The message names the file and the three formats, and no file appears."""
    with pytest.raises(InputError) as caught:
        save_picture(figure, tmp_path / name)
    assert ".png, .svg, .pdf" in caught.value.expected
    assert list(tmp_path.iterdir()) == []


def test_upper_case_suffixes_are_taken(figure, tmp_path):
    """Some systems write them so."""
    assert save_picture(figure, tmp_path / "A.PNG", dpi=20).exists()


def test_a_missing_folder_is_an_input_error(figure, tmp_path):
    """The message says what to do."""
    with pytest.raises(InputError) as caught:
        save_picture(figure, tmp_path / "no" / "a.png")
    assert caught.value.advice is not None


def test_a_failure_leaves_the_old_file_and_no_litter(figure, tmp_path, monkeypatch):
    """When drawing fails half way the file that was there is still the old one."""
    path = tmp_path / "a.png"
    path.write_bytes(b"old")

    def fail(*_args, **_kwargs):
        raise RuntimeError("pen broke")

    monkeypatch.setattr(figure, "savefig", fail)
    with pytest.raises(RuntimeError, match="pen broke"):
        save_picture(figure, path)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
