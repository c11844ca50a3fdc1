"""Values shown in a notebook: complete, short, and safe with what strangers wrote."""

import subprocess
import sys
from html.parser import HTMLParser

import numpy as np
import pytest

from bustrace import diagnose, read_boot
from bustrace.capture import Capture
from bustrace.report.notebook import html_of


def capture_of(lines, source="boot.vcd"):
    return Capture(
        mode="timing",
        time_ps=np.arange(4, dtype=np.int64) * 1_000_000,
        state=np.array([0, 1, 2, 3], dtype=np.uint64),
        known=None,
        lines=lines,
        rate=None,
        gaps=np.empty((0, 2), dtype=np.int64),
        end_ps=4_000_000,
        source=source,
    )


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.seen = [], set()

    def handle_starttag(self, tag, attrs):
        self.seen.add(tag)
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("value", ["capture", "reading", "cycles", "program", "diagnosis"])
def test_names_from_a_file_are_text_never_markup(value):
    capture = capture_of(("<script>alert(1)</script>", "PHI2"), source="<img src=x>&.vcd")
    reading = read_boot(capture)
    values = {
        "capture": capture,
        "reading": reading,
        "cycles": reading.cycles,
        "program": reading.program,
        "diagnosis": diagnose(reading),
    }
    page = Tags()
    page.feed(html_of(values[value]))
    assert not page.open
    assert page.seen <= {"p", "b", "br", "table", "tr", "td", "th"}


def test_each_line_of_a_capture_is_told():
    html = html_of(capture_of(("CLK", "NEVER")))
    assert "CLK" in html
    assert "NEVER" in html
    assert "boot.vcd" in html


def test_a_reading_tells_the_boot_in_words(verdict_on):
    html = html_of(verdict_on("tide_gauge_healthy")[1])
    assert "clears $0000-$00FF" in html
    assert "sums $F000-$F0FF" in html


def test_what_cannot_be_shown_is_refused():
    with pytest.raises(KeyError):
        html_of(3)


def test_values_are_short_in_a_plain_shell_too():
    reading = read_boot(capture_of(("CLK", "NEVER")))
    for value in (reading, reading.capture, reading.cycles, reading.program, diagnose(reading)):
        assert repr(value).startswith("<")
        assert len(repr(value)) < 400


def test_outside_a_notebook_nothing_of_it_is_imported():
    code = "import sys, bustrace; assert 'IPython' not in sys.modules; print(len(sys.modules))"
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
