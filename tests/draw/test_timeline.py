"""What a timeline shows, how many things it draws, and what it leaves alone."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from bustrace.board import load_board
from bustrace.capture import open_capture
from bustrace.cycles.model import Clock
from bustrace.draw import draw_timeline
from bustrace.draw.window import vector_fetch
from bustrace.errors import InputError
from bustrace.reading import read_boot

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def finding(rule, severity="fault", **fields):
    """A finding's fields; the room's own class needs nothing more to be drawn."""
    base = {"lines": (), "chips": (), "cycles": (), "after_derail": False, "text": rule}
    return SimpleNamespace(rule=rule, severity=severity, **(base | fields))


def diagnosis(*findings, derail=None, verdict="fault"):
    """A diagnosis with only what a picture needs."""
    return SimpleNamespace(verdict=verdict, derail=derail, findings=findings)


DERAIL = SimpleNamespace(
    cycle=30,
    time_ps=31_000_000,
    seen="$E204",
    expected="$E004",
    text="A9 is high",
    consequences=1204,
)


def texts(figure):
    """Every piece of text in a figure or axes."""
    axes = figure.axes if isinstance(figure, Figure) else [figure]
    return [text.get_text() for ax in axes for text in ax.texts]


def artists(figure):
    """Number of things drawn."""
    return sum(len(ax.get_children()) for ax in figure.axes)


def test_every_box_is_labelled_at_twenty_cycles(reading_of):
    """Twenty cycles show each address and each byte, and the program's instructions."""
    figure = draw_timeline(reading_of(400), first=15, last=34)
    shown = texts(figure)
    assert sum(text.startswith("$E00") and len(text) == 5 for text in shown) >= 14
    assert shown.count("$5A") == 4
    assert {"LDA $0340", "STA $0341", "JMP $E000"} <= set(shown)
    assert shown.count("$0341") == 2
    for lane in ("program", "address", "data", "φ2", "/RES", "R/W", "SYNC", "U4 select"):
        assert lane in shown
    for cycle in range(15, 35):
        assert str(cycle) in shown


def test_address_boxes_stand_upright_when_cycles_are_narrow(reading_of):
    """At seventy cycles every address still has its text, turned."""
    figure = draw_timeline(reading_of(400), first=15, last=84, lines=["address"])
    turned = [t for ax in figure.axes for t in ax.texts if t.get_rotation() == 90.0]
    assert len(turned) == 70


def test_unknown_bits_are_question_marks_and_no_bits_a_hatched_box(reading_of):
    """A digit with an uncaptured bit is ``?``; a bus with none captured is not given as 0."""
    reading = reading_of(60, address_known=0xF0FF)
    partly = texts(draw_timeline(reading, first=15, last=30, lines=["address"]))
    assert "$E?00" in partly
    assert not any(text.startswith("$E0") for text in partly)
    figure = draw_timeline(reading_of(60, data_known=0), first=15, last=30, lines=["data"])
    assert not any(text in ("$00", "00") for text in texts(figure))
    hatches = {c.get_hatch() for ax in figure.axes for c in ax.collections}
    assert "////" in hatches


def test_the_differing_bit_is_named_where_the_cpu_meant_something_else(reading_of):
    """A9 high for everyone: the meant address and the bit stand below each differing box."""
    shown = texts(draw_timeline(reading_of(400, stuck_high=0x200), first=15, last=30))
    assert "CPU meant" in shown
    assert "differs: A9" in shown
    assert shown.count("A9") == sum(text.startswith("$E2") for text in shown)
    assert "$E200" in shown
    assert "$E000" in shown


def test_a_healthy_reading_has_no_lane_for_differences(reading_of):
    """Nothing differs, so nothing hints that it does."""
    shown = texts(draw_timeline(reading_of(400)))
    assert "CPU meant" not in shown
    assert not any(text.startswith("differs") for text in shown)


def test_the_window_is_about_the_derail_when_there_is_one(reading_of):
    """The derail's cycle is in view with its flag, and the sentence is told below."""
    figure = draw_timeline(reading_of(4000), diagnosis=diagnosis(derail=DERAIL))
    shown = texts(figure)
    assert "derail: 1,204 consequences" in shown
    assert any(text.startswith("Derail (cycle 30, 31 µs)") and "$E204" in text for text in shown)
    assert "30" in shown
    assert any("where it leaves the path" in text for text in shown)


def test_the_derails_sentence_says_nothing_twice(reading_of):
    """Cycle, seen and expected are added only where the sentence lacks them."""
    whole = SimpleNamespace(**vars(DERAIL))
    whole.text, whole.consequences = "At cycle 30 the CPU reads $E204, it should read $E004.", 1
    shown = texts(draw_timeline(reading_of(400), diagnosis=diagnosis(derail=whole)))
    assert f"Derail (31 µs): {whole.text}" in shown
    assert "derail: 1 consequence" in shown


def test_the_window_is_about_the_reset_vector_otherwise(reading_of):
    """Without a derail or a late fault the vector's two reads are in view."""
    shown = texts(draw_timeline(reading_of(4000)))
    assert "$FFFC" in shown
    assert "$FFFD" in shown
    assert any(": the reset vector" in text for text in shown)


def test_a_reset_never_released_is_shown_from_its_start(reading_of):
    """Without a vector fetch the picture begins with the capture."""
    reading = reading_of(8)
    shown = texts(draw_timeline(reading))
    assert any("all 8 cycles" in text for text in shown)
    assert vector_fetch(reading) is None


def test_the_window_is_about_a_fault_seen_after_the_reset_vector(reading_of):
    """A late fault is worth more than the vector."""
    late = diagnosis(finding("late", cycles=(900,)))
    assert "900" in texts(draw_timeline(reading_of(4000), diagnosis=late))


def test_a_stopped_clock_is_shown_with_the_rest_after_it(reading_of):
    """The window ends after the last cycle, so that the flat clock can be seen."""
    clock = Clock("PHI2", "phase 2", period_ps=1_000_000, stops_ps=300_000_000, rests_at=0)
    reading = reading_of(400, clock=clock)
    cut = SimpleNamespace(**vars(reading))
    cycles = reading.cycles
    columns = {
        name: getattr(cycles, name)[:300]
        if isinstance(getattr(cycles, name), np.ndarray)
        else getattr(cycles, name)
        for name in cycles.__dataclass_fields__
    }
    cut.cycles = type(cycles)(**columns)
    cut.program = reading_of(300).program
    figure = draw_timeline(cut)
    assert any(": where the clock stops" in text for text in texts(figure))
    assert "clock at rest" in texts(figure)
    right = max(max(ax.get_xlim()) for ax in figure.axes)
    assert right > 302


def test_callouts_are_numbered_in_place_and_told_below(reading_of):
    """Each finding has a number at its lane and the same number beside its sentence."""
    found = diagnosis(
        finding("a note", "note", cycles=(20,), lines=("RES",)),
        finding("D3 disagrees", cycles=(20, 26), lines=("D3",)),
        finding("far away", cycles=(390,)),
    )
    figure = draw_timeline(reading_of(400), diagnosis=found, first=15, last=34)
    shown = texts(figure)
    # Faults come first: 1 is D3 with two badges and one in the legend.
    assert shown.count("1") == 3
    assert shown.count("2") == 1
    assert shown.count("3") == 2
    assert "D3 disagrees" in shown
    assert any(text.startswith("far away (from cycle 390") for text in shown)
    badges = {
        text.get_text(): type(text.get_bbox_patch().get_boxstyle()).__name__
        for ax in figure.axes
        for text in ax.texts
        if text.get_bbox_patch() is not None and text.get_text() in ("1", "3")
    }
    assert badges == {"1": "Square", "3": "Circle"}


def test_a_badge_stands_above_the_lane_its_finding_is_about(reading_of):
    """A data line's badge is between the address lane and the data lane."""
    found = diagnosis(finding("D3 disagrees", cycles=(20,), lines=("D3",)))
    ax = draw_timeline(reading_of(400), diagnosis=found, first=15, last=34).axes[0]
    place = {text.get_text(): text.get_position()[1] for text in reversed(ax.texts)}
    badge = min(text.get_position()[1] for text in ax.texts if text.get_text() == "1")
    assert place["address"] < badge < place["data"]


def test_dollar_signs_are_hex_and_never_mathematics(reading_of):
    """Two dollar signs in one sentence do not turn what is between them into a formula."""
    found = diagnosis(finding("read $00 at $FFFC", cycles=(20,)))
    figure = draw_timeline(reading_of(60), diagnosis=found, title="$a$")
    assert not any(text.get_parse_math() for ax in figure.axes for text in ax.texts)


def test_the_overview_marks_even_the_smallest_window(reading_of):
    """Ten cycles of 50,000 still have a bracket that can be seen, four points wide."""
    figure = draw_timeline(reading_of(50_000), first=20, last=29)
    above = figure.axes[1]
    left, right = above.get_xlim()
    point = (right - left) / (11 * 72 - 20)
    widths = [
        np.ptp(path.vertices[:, 0])
        for c in above.collections
        if c.get_zorder() == 5
        for path in c.get_paths()
    ]
    assert len(widths) == 1
    assert widths[0] == pytest.approx(4 * point)


def test_more_findings_than_fit_are_counted(reading_of):
    """A long list is cut, and the picture says by how many."""
    many = diagnosis(*(finding(f"rule {i}", cycles=(i,)) for i in range(30)))
    shown = texts(draw_timeline(reading_of(60), diagnosis=many))
    assert "and 21 more findings" in shown


def test_reset_is_shaded_and_named(reading_of):
    """The cycles in reset carry a hatch of their own."""
    figure = draw_timeline(reading_of(400), first=0, last=20)
    assert "in reset" in texts(figure)
    assert any(c.get_hatch() == ".." for ax in figure.axes for c in ax.collections)


def test_unknown_levels_and_gaps_are_hatched_and_named(reading_of):
    """Levels that were not read are crossed out; time without a recording says so."""
    reading = reading_of(120)
    capture = reading.capture
    known = capture.all_known
    known[120:150] = 0
    reading.capture = replace(
        capture,
        state=capture.state & known,
        known=known,
        gaps=np.array([[70_000_000, 90_000_000]]),
    )
    figure = draw_timeline(reading, first=30, last=99)
    assert "nothing recorded" in texts(figure)
    hatches = [c.get_hatch() for ax in figure.axes for c in ax.collections]
    assert hatches.count("xxxx") == len(("φ2", "/RES", "R/W", "SYNC", "/IRQ", "U4"))
    assert "xx" in hatches


def test_a_state_capture_draws_each_level_over_its_cycle(reading_of):
    """Rows of a state capture are taken at the end of a cycle, and drawn from its start."""
    timing = reading_of(60)
    capture = timing.capture
    timing.capture = replace(
        capture,
        mode="state",
        time_ps=timing.cycles.time_ps.copy(),
        state=capture.state[1::3].copy(),
        end_ps=int(timing.cycles.time_ps[-1]),
    )
    figure = draw_timeline(timing, first=15, last=20, lines=["SYNC"])
    points = max(
        (path.vertices for c in figure.axes[0].collections for path in c.get_paths()), key=len
    )
    # SYNC is high in cycles 15 and 19, which last from 15 to 16 and from 19 to 20 µs.
    assert points[:, 0].tolist() == [15, 16, 16, 19, 19, 20, 20, 21]


def test_a_capture_without_cycles_says_why(reading_of):
    """The lines are drawn as they are, under the reason."""
    figure = draw_timeline(reading_of(300, reason="phase 2 was not captured"))
    shown = texts(figure)
    assert "No bus cycles: phase 2 was not captured" in shown
    assert {"φ2", "A0", "D7", "/IRQ"} <= set(shown)


def test_a_reading_without_program_says_why(reading_of):
    """The lane stays, with the reason in it."""
    shown = texts(draw_timeline(reading_of(300, program=False), first=0, last=20))
    assert "no instructions: SYNC and the address bus were not captured" in shown


def test_long_windows_name_the_loop(reading_of):
    """Thousands of cycles in one loop are one stretch, named by its addresses."""
    assert "loop $E000–$E006" in texts(draw_timeline(reading_of(6000), first=0))


@pytest.mark.slow
@pytest.mark.parametrize("lines", [None, ["program", "address", "data", "RW", "U4"]])
def test_the_number_of_drawn_things_depends_on_the_width_not_the_length(reading_of, lines):
    """200,000 cycles draw no more than 6,000, and both draw little."""
    found = diagnosis(finding("D3", cycles=tuple(range(32)), lines=("D3",)), derail=DERAIL)
    counts = [
        artists(draw_timeline(reading_of(n), diagnosis=found, first=0, lines=lines))
        for n in (6_000, 200_000)
    ]
    assert counts[1] <= counts[0] + 10
    assert counts[1] < 160


@pytest.mark.slow
def test_vertices_are_bounded_by_the_columns_too(reading_of):
    """No path or image of a long capture has more points than a few a column."""
    figure = draw_timeline(reading_of(200_000), first=0)
    points = [len(p.vertices) for ax in figure.axes for c in ax.collections for p in c.get_paths()]
    assert max(points) < 5_000
    assert sum(points) < 20_000
    images = [image.get_array().size for ax in figure.axes for image in ax.images]
    assert sum(images) < 200_000


def test_boxes_are_bounded_by_the_width_too(reading_of):
    """The most crowded window with text still draws few things."""
    figure = draw_timeline(reading_of(400, stuck_high=0x200), first=15, last=95)
    assert artists(figure) < 600


def test_the_given_axes_come_back(reading_of):
    """With `ax` the picture is drawn there, its data in µs, and nothing else is touched."""
    figure = Figure(figsize=(10, 6))
    left, right = figure.subplots(1, 2)
    assert draw_timeline(reading_of(60), first=15, last=24, ax=left) is left
    assert "$E000" in texts(left)
    assert not right.texts
    low, high = left.get_xlim()
    assert low < 15 < 25 < high
    FigureCanvasAgg(figure).draw()


def test_text_keeps_inside_the_picture(reading_of):
    """No text sticks out of the figure's edges."""
    found = diagnosis(
        finding("A9 NEVER GOES LOW " * 20, cycles=(20,), lines=("A9",)), derail=DERAIL
    )
    figure = draw_timeline(reading_of(400, stuck_high=0x200), diagnosis=found)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    width, height = canvas.get_width_height()
    for ax in figure.axes:
        for text in ax.texts:
            box = text.get_window_extent(canvas.get_renderer())
            assert box.x0 >= -1, text.get_text()
            assert box.y0 >= -1, text.get_text()
            assert box.x1 <= width + 1, text.get_text()
            assert box.y1 <= height + 1, text.get_text()


def test_chosen_lines_come_in_the_order_asked(reading_of):
    """Pins, single bits of a bus, chips, in any case; the rest is left out."""
    figure = draw_timeline(reading_of(60), lines=["u4", "A9", "rw"], first=0, last=20)
    shown = texts(figure.axes[0])
    lanes = [text for text in shown if text in ("U4 select", "A9", "R/W", "address", "φ2")]
    assert lanes == ["U4 select", "A9", "R/W"]


def test_an_unknown_line_names_the_nearest(reading_of):
    """The error shows what was asked, what there is, and the likely meaning."""
    with pytest.raises(InputError) as caught:
        draw_timeline(reading_of(60), lines=["SYNK"])
    assert caught.value.found == "SYNK"
    assert "sync" in caught.value.advice.casefold()
    assert "RES" in caught.value.expected


@pytest.mark.parametrize(
    "wrong", [{"first": 9, "last": 3}, {"around": 3, "first": 1}, {"width": 1.0}]
)
def test_contradictory_windows_are_a_mistake_of_the_caller(reading_of, wrong):
    """They raise ValueError at once."""
    with pytest.raises(ValueError):  # noqa: PT011
        draw_timeline(reading_of(60), **wrong)


def test_a_window_beyond_the_end_is_cut(reading_of):
    """A last cycle that was never captured ends the window at the capture's end."""
    assert any(
        text.startswith("cycles 50 to 59 of 60")
        for text in texts(draw_timeline(reading_of(60), first=50, last=10**9))
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "expected"),
    [("healthy.vcd", "$FFFC"), ("clock_stops.csv", "clock at rest"), ("d1_d4_short.vcd", "$FFFC")],
)
def test_real_exports_are_drawn_where_their_story_is(captures_dir, name, expected):
    """Exports of a board that this project did not make, through every room, without warnings."""
    figure = draw_timeline(read_boot(open_capture(captures_dir / name)))
    assert expected in texts(figure)
    FigureCanvasAgg(figure).draw()


def test_drawing_leaves_pyplot_and_the_settings_alone():
    """In a fresh process drawing imports no pyplot, opens no window, and restores settings."""
    code = (
        "import sys, runpy, matplotlib as mpl;"
        # Asking for the backend would itself import pyplot.
        "seen = lambda: {k: mpl.rcParams[k] for k in mpl.rcParams if k != 'backend'};"
        "before = seen();"
        "make = runpy.run_path(sys.argv[1])['make_reading'];"
        "from bustrace.draw import draw_timeline;"
        "draw_timeline(make(60));"
        "assert seen() == before;"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    conftest = __file__.replace("test_timeline.py", "conftest.py")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, conftest], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def triage():
    """A capture of eight lines, D0 alone of the data bus, against its board."""
    board = load_board(FIXTURES / "tide_gauge" / "board.toml")
    return read_boot(open_capture(FIXTURES / "tide_gauge_triage" / "capture.csv"), board)


def test_a_bus_without_one_whole_digit_is_drawn_line_by_line(triage):
    shown = texts(draw_timeline(triage))
    assert "D0" in shown
    assert "data" not in shown
    assert not any("$??" in text for text in shown)


def test_the_heading_is_the_boards_name_and_the_badge_a_whole_phrase(triage):
    shown = texts(draw_timeline(triage, diagnosis=diagnosis(verdict="healthy up to")))
    assert triage.board.name in shown
    assert "healthy as far as captured" in shown
