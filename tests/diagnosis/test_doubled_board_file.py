"""A board file that has two chips on most reads must not reassure."""

import pytest
from drill_readings import FIXTURES

from bustrace import diagnose, load_board, open_capture, read_boot
from bustrace.report import diagnosis_text

pytestmark = pytest.mark.slow

HOME = FIXTURES / "tide_gauge"
SECOND = '\n[[chips]]\nref = "U40"\npart = "74LS244"\nrole = "io"\nread_range = "{where}"\n'


def judged(folder, where, capture="tide_gauge_healthy"):
    for path in HOME.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    board = folder / "board.toml"
    board.write_text(board.read_text("utf-8") + SECOND.format(where=where), encoding="utf-8")
    (recording,) = (FIXTURES / capture).glob("capture.*")
    reading = read_boot(open_capture(recording), load_board(board))
    return diagnose(reading), reading


def test_most_reads_doubled_is_no_verdict(tmp_path):
    """Neither "healthy up to" nor a rung that says ok: nothing of it was compared."""
    diagnosis, reading = judged(tmp_path, "$E000-$FFFF")
    assert (diagnosis.verdict, diagnosis.exit_code) == ("cannot conclude", 3)
    assert "by the board file U5, U40 drive the same reads" in diagnosis.summary
    rungs = {rung.name: rung for rung in diagnosis.ladder}
    assert rungs["ROM runs"].status == "not seen"
    assert rungs["selects"].status != "ok"
    assert "no image to compare with" not in diagnosis_text(diagnosis, reading).plain()
    assert "mend the chips that it shows as doubled" in diagnosis.next_steps[0]
    assert any(n.kind == "doubt" and "8,192 addresses" in n.text for n in diagnosis.trust)


def test_an_overlap_that_the_program_never_reads_takes_nothing_away(tmp_path):
    """The doubt stands, the verdict stays."""
    diagnosis, _ = judged(tmp_path, "$1FF0-$1FFF")
    assert diagnosis.verdict == "no fault seen"
    assert any("16 addresses" in note.text for note in diagnosis.trust)


def test_a_few_reads_of_the_rom_alone_are_no_sound_rom(tmp_path):
    """Sixteen of its bytes are left to U5: what the others gave was not compared."""
    diagnosis, _ = judged(tmp_path, "$E010-$FFFF")
    rungs = {rung.name: rung for rung in diagnosis.ladder}
    assert rungs["ROM runs"].status == "not seen"


def test_a_select_that_a_doubling_file_misses_is_no_fault(tmp_path):
    """The array gives the ROM's reads to the ROM; a file that gives them to RAM too is wrong."""
    home = FIXTURES / "departure_board"
    for path in home.iterdir():
        if path.is_file():
            (tmp_path / path.name).write_bytes(path.read_bytes())
    board = tmp_path / "board.toml"
    by_array = 'enable = { "/CAS" = "U4.RAM" }'
    text = board.read_text("utf-8")
    assert by_array in text
    board.write_text(text.replace(by_array, 'range = "$0000-$FFFF"'), encoding="utf-8")
    (recording,) = (FIXTURES / "departure_board_healthy").glob("capture.*")
    diagnosis = diagnose(read_boot(open_capture(recording), load_board(board)))
    assert (diagnosis.verdict, diagnosis.suspects) == ("cannot conclude", ())
    missing = [finding for finding in diagnosis.findings if finding.rule == "select-missing"]
    assert [finding.severity for finding in missing] == ["oddity"]
