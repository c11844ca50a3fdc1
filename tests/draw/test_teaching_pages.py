"""What all teaching pictures have in common: page, axes, settings, size, words for the absent."""

import subprocess
import sys
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import boot
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

import bustrace.draw as draw
from bustrace.board import unknown_board
from bustrace.capture import open_capture
from bustrace.reading import read_boot

pytestmark = pytest.mark.slow

PICTURES = {
    name: getattr(draw, f"draw_{name}")
    for name in (
        "address_map",
        "bit_errors",
        "boot",
        "bus_cycle",
        "instruction",
        "interrupt",
        "line_moves",
        "reset",
    )
}
EACH = pytest.mark.parametrize("name", sorted(PICTURES))
CANNOT = "This capture does not show it: "


@cache
def wrong_rom():
    """The demo board with one bit of its ROM always 0, simulated and sampled: every kind but an
    interrupt has something to show."""
    return boot("plane:U5.1", cycles=1500)


@cache
def healthy():
    """The demo board as it should be, until after its first interrupt."""
    return boot(cycles=6500)


def texts(figure):
    """Every piece of text in a figure or axes."""
    axes = figure.axes if isinstance(figure, Figure) else [figure]
    return [text.get_text() for ax in axes for text in ax.texts]


def why_not(figure):
    """The reason that a picture gives for showing nothing, or None."""
    whole = " ".join(texts(figure))
    return whole.partition(CANNOT)[2] if CANNOT in whole else None


def without_cycles():
    """A reading of a capture without the clock, and without the bus that could tell of it."""
    return boot(cycles=200, lines=("RES", "IRQ", "RDY"))


@EACH
def test_the_given_axes_come_back(name):
    """With `ax` the picture is drawn there, and nothing else of the figure is touched."""
    figure = Figure(figsize=(10, 6))
    left, right = figure.subplots(1, 2)
    assert PICTURES[name](wrong_rom(), ax=left) is left
    assert texts(left)
    assert not right.texts
    assert len(figure.axes) == 2


@EACH
def test_a_title_of_ones_own_replaces_the_heading(name):
    """The heading is the caller's; dollar signs in it are no mathematics."""
    figure = PICTURES[name](wrong_rom(), title="Board 7: $A and $B")
    assert "Board 7: $A and $B" in texts(figure)
    assert not any(text.get_parse_math() for ax in figure.axes for text in ax.texts)


@EACH
def test_a_picture_narrower_than_four_inches_is_a_mistake_of_the_caller(name):
    """Nothing could be read in it."""
    with pytest.raises(ValueError, match="4 inches"):
        PICTURES[name](wrong_rom(), width=3.0)


@EACH
@pytest.mark.parametrize("width", [7.0, 11.0])
def test_text_keeps_inside_the_page(name, width):
    """On paper and on the screen no text sticks out of the figure's edges."""
    reading = healthy() if name == "interrupt" else wrong_rom()
    figure = PICTURES[name](reading, width=width, print_safe=width < 8)
    assert why_not(figure) is None
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    wide, high = canvas.get_width_height()
    for ax in figure.axes:
        for text in ax.texts:
            box = text.get_window_extent(canvas.get_renderer())
            assert box.x0 >= -1, text.get_text()
            assert box.y0 >= -1, text.get_text()
            assert box.x1 <= wide + 1, text.get_text()
            assert box.y1 <= high + 1, text.get_text()


@EACH
def test_the_same_reading_gives_the_same_svg(name, tmp_path):
    """Two figures of one reading are one file."""
    files = [
        draw.save_picture(PICTURES[name](wrong_rom()), tmp_path / f"{at}.svg") for at in range(2)
    ]
    assert files[0].read_bytes() == files[1].read_bytes()


@EACH
def test_the_number_of_drawn_things_does_not_grow_with_the_capture(name):
    """Four times the cycles, no more than a few more things."""
    counts = []
    for reading in (wrong_rom(), healthy()):
        figure = PICTURES[name](reading)
        counts.append(sum(len(ax.get_children()) for ax in figure.axes))
    assert max(counts) < 420
    if name != "interrupt":
        assert counts[1] < 2 * counts[0] + 60


@EACH
def test_a_capture_without_cycles_says_why(name):
    """A clip that is missing is told with its reason, and nothing is raised."""
    figure = PICTURES[name](without_cycles())
    if name == "address_map":
        assert "no cycles: the board file alone" in " ".join(texts(figure))
        return
    assert "it has no bus cycles, since" in why_not(figure)


@EACH
def test_an_empty_capture_of_an_unknown_board_says_why(name, reading_of):
    """Not even a file without a board file, without cycles and without a program is an error."""
    reading = reading_of(30, reason="phase 2 never moves", program=False)
    assert "phase 2 never moves" in why_not(PICTURES[name](reading))


@EACH
def test_a_board_without_a_file_is_no_obstacle(name):
    """What needs no board is drawn; what does says so."""
    reading = wrong_rom()
    bare = read_boot(reading.capture, unknown_board())
    reason = why_not(PICTURES[name](bare))
    if name == "bit_errors":
        assert "no board file and no ROM image" in reason
    else:
        assert reason is None


@pytest.mark.parametrize("name", ["bus_cycle", "line_moves"])
def test_a_state_capture_has_no_times_within_the_cycle(name, reading_of):
    """One row a cycle cannot tell when in the cycle a line moved."""
    reading = reading_of(60)
    capture = reading.capture
    reading.capture = replace(
        capture,
        mode="state",
        time_ps=reading.cycles.time_ps.copy(),
        state=capture.state[1::3].copy(),
        end_ps=int(reading.cycles.time_ps[-1]),
    )
    assert "one row a cycle" in why_not(PICTURES[name](reading))


@EACH
@pytest.mark.parametrize(
    "export",
    ["healthy.vcd", "reset_held_low.csv", "clock_stops.csv", "ram_answers_with_rom.tsv"],
)
def test_real_exports_are_drawn_without_warnings(captures_dir, name, export):
    """Exports of boards that this project did not make, dead ones too, through every picture."""
    FigureCanvasAgg(PICTURES[name](read_boot(open_capture(captures_dir / export)))).draw()


def test_drawing_leaves_pyplot_and_the_settings_alone():
    """In a fresh process drawing imports no pyplot and restores matplotlib's settings."""
    code = (
        "import sys, runpy, matplotlib as mpl;"
        # Asking for the backend would itself import pyplot.
        "seen = lambda: {k: mpl.rcParams[k] for k in mpl.rcParams if k != 'backend'};"
        "before = seen();"
        "make = runpy.run_path(sys.argv[1])['make_reading'];"
        "import bustrace.draw as d;"
        "of_one = [n for n in d.__all__ if n.startswith('draw_') and n != 'draw_side_by_side'];"
        "[getattr(d, n)(make(60)) for n in of_one];"
        "assert seen() == before;"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    conftest = __file__.replace("test_teaching_pages.py", "conftest.py")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, conftest], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_a_file_name_of_a_stranger_is_shortened(reading_of):
    """It could be any length, and must not push the rest of the line off the page."""
    reading = reading_of(60)
    reading.capture = replace(reading.capture, source="some/where/" + "x" * 300 + ".vcd")
    shown = [text for text in texts(draw.draw_reset(reading)) if "xxx" in text]
    assert len(shown) == 1
    assert len(shown[0]) < 160


def test_cycles_asked_for_beyond_the_end_are_told_not_raised(reading_of):
    """A number from another capture is a slip of the person, not a broken board."""
    reading = reading_of(60)
    for picture in (draw.draw_bus_cycle, draw.draw_instruction):
        assert "it has no cycle 900; the last is 59" in why_not(picture(reading, cycle=900))
    assert "from cycle 900 on" in why_not(draw.draw_interrupt(reading, cycle=900))


def test_a_boot_drawn_backwards_is_a_mistake_of_the_caller(reading_of):
    """`last` before `first` is refused."""
    with pytest.raises(ValueError, match="lies before"):
        draw.draw_boot(reading_of(60), first=40, last=3)


def test_the_derail_is_flagged_in_the_boot(reading_of):
    """Its flag stands over the picture and its sentence below."""
    derail = SimpleNamespace(
        cycle=30, time_ps=31_000_000, seen="a", expected="b", text="A9 is high", consequences=7
    )
    figure = draw.draw_boot(reading_of(400), diagnosis=SimpleNamespace(derail=derail))
    shown = texts(figure)
    assert "derail: 7 consequences" in shown
    assert "Derail: A9 is high" in shown
    assert "derail: 7 consequences" not in texts(
        draw.draw_boot(reading_of(400), diagnosis=SimpleNamespace(derail=derail), first=100)
    )


def test_the_boots_bands_are_the_pages_touched(reading_of):
    """The loop lives in page $E0, its data in page $03: those, the vector's and the stack's."""
    shown = texts(draw.draw_boot(reading_of(400)))
    assert {"stack", "vector read", "$E000", "$0300"} <= set(shown)
    assert not any(text.startswith("$80") for text in shown)


def test_arrays_are_left_as_they_were():
    """Drawing reads the reading's read-only columns, and changes none."""
    reading = wrong_rom()
    before = reading.cycles.address.copy(), reading.capture.state.copy()
    for picture in PICTURES.values():
        picture(reading)
    assert np.array_equal(before[0], reading.cycles.address)
    assert np.array_equal(before[1], reading.capture.state)
