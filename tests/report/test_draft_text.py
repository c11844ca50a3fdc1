"""The draft as TOML: it loads, it accuses no healthy board, and names cannot break out of it."""

import tomllib
from dataclasses import replace

import pytest
from drill_readings import FIXTURES, complaints
from hypothesis import example, given
from hypothesis import strategies as st

from bustrace import diagnose, load_board, open_capture, read_boot
from bustrace.board import load_image
from bustrace.drill import healthy_boots
from bustrace.identify import board_seen
from bustrace.report import draft_text
from bustrace.report.board_draft import toml_string

IMAGE = FIXTURES / "tide_gauge" / "tide_gauge.bin"


def drafted(reading, folder, images=(), source="boot.vcd"):
    """The draft's file in a folder, beside copies of the images."""
    files = []
    for number, path in enumerate(images):
        files.append(f"image{number}.bin")
        (folder / files[-1]).write_bytes(path.read_bytes())
    seen = board_seen(reading, [load_image(path) for path in images])
    text = draft_text(seen, source=source, files=files, headline="NO FAULT SEEN")
    (folder / "draft.toml").write_text(text, encoding="utf-8")
    return folder / "draft.toml"


@pytest.mark.slow
def test_the_healthy_boards_draft_finds_it_healthy(tmp_path):
    """Loaded as it stands, against the capture it was made from."""
    capture = open_capture(FIXTURES / "tide_gauge_healthy" / "capture.vcd")
    board = load_board(drafted(read_boot(capture), tmp_path, [IMAGE]))
    assert [chip.ref for chip in board.chips] == ["CPU", "RAM", "ROM", "IO", "LATCH"]
    assert not board.complete
    diagnosis = diagnose(read_boot(capture, board))
    assert complaints(diagnosis) == []
    assert diagnosis.verdict == "no fault seen"


@pytest.mark.slow
@pytest.mark.parametrize("fixture", ["rom_plane", "ram_silent", "ram_a1_open", "d2_d4_short"])
def test_a_draft_of_the_healthy_board_serves_a_faulty_one(tmp_path, fixture):
    """What the drafts are for: the fault is seen against it."""
    healthy = open_capture(FIXTURES / "tide_gauge_healthy" / "capture.vcd")
    board = load_board(drafted(read_boot(healthy), tmp_path, [IMAGE]))
    path = next((FIXTURES / f"tide_gauge_{fixture}").glob("capture.*"))
    assert diagnose(read_boot(open_capture(path), board)).verdict == "fault"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 50, 4))
def test_other_healthy_boards_drafts_find_them_healthy(seed, tmp_path):
    (made,) = healthy_boots(tmp_path, 1, seed=seed)
    folder = made.board_path.parent
    images = [folder / i.path for c in load_board(made.board_path).chips for i in c.images]
    capture = open_capture(made.capture_path)
    diagnosis = diagnose(
        read_boot(capture, load_board(drafted(read_boot(capture), tmp_path, images)))
    )
    assert complaints(diagnosis) == [], made.about
    assert diagnosis.exit_code == 0, made.about


FAULTY = sorted(
    path.parent.name for path in FIXTURES.glob("tide_gauge_*/capture.*")
    if "healthy" not in path.parent.name
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTY)
def test_a_faulty_captures_draft_loads(name, tmp_path):
    """And holds no line over 80 columns but what names make longer."""
    reading = read_boot(open_capture(next((FIXTURES / name).glob("capture.*"))))
    path = drafted(reading, tmp_path, [IMAGE])
    load_board(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert not [line for line in lines if len(line) > 80 and line.startswith("#")]


@given(st.text(st.characters(exclude_categories=["Cs", "Cc", "Cf"]), max_size=30))
@example('a"b\\c\n\r\t\u2028é𐍈')
def test_any_text_goes_through_toml(text):
    assert tomllib.loads(f"a = {toml_string(text)}")["a"] == text


@pytest.mark.parametrize("text", ["\udcff", "\x1b[31m", "\0", "\u202e"])
def test_what_a_board_file_may_not_hold_is_refused(text):
    """Half a character, and what would steer a terminal."""
    with pytest.raises(ValueError, match="control characters"):
        toml_string(text)


HOSTILE = ['CS_"RAM"', "CS_RAM\n[[chips]]\nref = 'X'", "CS_RAM\\\t", "/CS_RAM#é"]


@pytest.mark.slow
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_a_name(name, tmp_path):
    """In the select's line as it is, in comments without what would end them."""
    capture = open_capture(FIXTURES / "tide_gauge_healthy" / "capture.vcd")
    lines = tuple(name if line == "CS_RAM" else line for line in capture.lines)
    capture = replace(capture, lines=lines)
    path = drafted(read_boot(capture, hookup={name: "select:RAM"}), tmp_path, [IMAGE], source=name)
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    assert len(content["chips"]) == 4
    assert content["chips"][0]["select"]["line"] == name
    assert content["chips"][0]["ref"] == "RAM"
    assert "\x1b" not in path.read_text(encoding="utf-8")
    assert diagnose(read_boot(capture, load_board(path))).exit_code == 0


@pytest.mark.slow
def test_a_name_that_would_steer_the_terminal_is_left_out(tmp_path):
    """The draft loads, and says how to name the clip."""
    capture = open_capture(FIXTURES / "tide_gauge_healthy" / "capture.vcd")
    name = "\x1b[31mCS_RAM"
    capture = replace(capture, lines=tuple(name if x == "CS_RAM" else x for x in capture.lines))
    given = {name: "select:RAM"}
    path = drafted(read_boot(capture, hookup=given), tmp_path, [IMAGE], source=name)
    text = path.read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "select:RAM" in text
    assert diagnose(read_boot(capture, load_board(path), given)).exit_code == 0


@pytest.mark.slow
def test_an_image_elsewhere_is_named_but_not_loaded(tmp_path):
    """A board file names nothing outside its folder; the draft loads all the same."""
    capture = open_capture(FIXTURES / "tide_gauge_clock_stops" / "capture.csv")
    seen = board_seen(read_boot(capture), [load_image(IMAGE)])
    text = draft_text(seen, source="x", files=[None], headline="FAULT")
    assert "copy it beside this file" in " ".join(text.replace("#", " ").split())
    assert '# file = "tide_gauge.bin"' in text
    (tmp_path / "draft.toml").write_text(text, encoding="utf-8")
    rom = load_board(tmp_path / "draft.toml").chip("ROM")
    assert (rom.size, rom.base, rom.images) == (0x2000, 0xE000, ())


@pytest.mark.slow
def test_what_the_capture_did_not_show_is_said(captures_dir):
    """Selects that never moved, address lines that stood still, lines of other CPUs."""
    reading = read_boot(open_capture(captures_dir / "healthy.vcd"))
    seen = replace(board_seen(reading), still_lines=(("A9", 1),), other_cpu_pins=("VPB",), lost=7)
    text = " ".join(
        draft_text(seen, source="x", files=[], headline="FAULT").replace("#", " ").split()
    )
    for words in (
        "CS_VIA never went low: what it selects was not exercised.",
        "Address lines that never moved: A9 (high).",
        "Captured as VPB: pins that the NMOS 6502 lacks.",
        "in 7 cycles the program could not be followed",
        "met 4,15",
    ):
        assert words in text, words
