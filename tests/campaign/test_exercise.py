"""Drills: what is handed out, what gives nothing away, how an answer is graded."""

import hashlib

import pytest

from bustrace.campaign.cases import lines_of
from bustrace.campaign.exercise import (
    LEVELS,
    Exercise,
    capture_bytes,
    check_answer,
    draw_exercise,
    hand_out,
    take_back,
)
from bustrace.capture import open_capture
from bustrace.drill import Planting
from bustrace.errors import InputError
from bustrace.faults import Fault


def faults(*texts):
    return [Fault.parse(text) for text in texts]


@pytest.fixture(scope="module")
def drill():
    return draw_exercise(2, 1)


@pytest.fixture
def exercise_of(case_of):
    """A function: fault ids to a drill on the demo board."""

    def make(*texts, **how):
        case = case_of(*texts, **how)
        return Exercise(0, 1, case, lines_of(case.run((), cycles=1), case.line_set))

    return make


def test_a_folder_holds_all_that_one_needs_and_names_nothing(drill, tmp_path):
    folder = tmp_path / "monday"
    hand_out(drill, folder, "1.0")
    assert sorted(path.name for path in folder.iterdir()) == [
        "board.toml", "boot.vcd", "drill.toml", "rom.bin",
    ]  # fmt: skip
    (truth,) = drill.truth
    for path in folder.iterdir():
        assert str(truth).encode() not in path.read_bytes()
        assert truth.family.encode() not in path.read_bytes()
    assert len(open_capture(folder / "boot.vcd")) > 1000


def test_the_seed_is_the_answer(drill, tmp_path):
    hand_out(drill, tmp_path / "monday", "1.0")
    again = take_back(tmp_path / "monday", tmp_path)
    assert again.truth == drill.truth
    assert again.lines == drill.lines
    assert draw_exercise(3, 1).case.seed != drill.case.seed


@pytest.mark.slow
@pytest.mark.parametrize("level", LEVELS)
def test_every_level_shows_what_it_promises(level):
    """Enough cycles differ, on its lines, and each of two faults matters."""
    how = LEVELS[level]
    for seed in range(3):
        drill = draw_exercise(seed, level)
        checked = check_answer(drill, drill.truth)
        assert checked.solved
        assert checked.differing >= how.differing
        assert len(drill.truth) == how.faults
        assert drill.case.line_set in how.line_sets
        assert drill.case.nuisances is how.nuisances
        if how.families:
            assert {fault.family for fault in drill.truth} <= set(how.families)


@pytest.mark.slow
def test_a_board_of_ones_own(tide_gauge, tmp_path):
    drill = draw_exercise(3, 1, tide_gauge)
    hand_out(drill, tmp_path / "mine", "1.0")
    assert {path.name for path in (tmp_path / "mine").iterdir()} == {
        "boot.vcd", "drill.toml", *(name for name, _ in tide_gauge.files),
    }  # fmt: skip
    assert take_back(tmp_path / "mine", tmp_path).truth == drill.truth


def test_nothing_is_written_over(drill, tmp_path):
    (tmp_path / "mine").mkdir()
    with pytest.raises(InputError, match="such a folder already"):
        hand_out(drill, tmp_path / "mine", "1.0")
    assert not list((tmp_path / "mine").iterdir())


def test_what_was_changed_or_made_by_another_version_is_told(drill, tmp_path):
    hand_out(drill, tmp_path / "a", "0.9")
    rom = tmp_path / "a" / "rom.bin"
    image = bytearray(rom.read_bytes())
    image[-4:-2] = b"\x00\x00"  # the reset vector
    rom.write_bytes(image)
    with pytest.raises(InputError, match=r"another version of bustrace .*0\.9"):
        take_back(tmp_path / "a", tmp_path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format = 1", "format = 2"),
        ("level = 1", "level = 9"),
        ("seed = 2", "seed = -1"),
        ("seed = 2", "seed = true"),
        ("seed = 2", "extra = 2"),
        ("seed = 2", "seed = "),
    ],
)
def test_a_seal_that_is_none_is_refused(drill, tmp_path, old, new):
    hand_out(drill, tmp_path / "a", "1.0")
    seal = tmp_path / "a" / "drill.toml"
    seal.write_text(seal.read_text().replace(old, new))
    with pytest.raises(InputError):
        take_back(tmp_path / "a", tmp_path)


def test_another_folder_is_no_drill(tmp_path):
    with pytest.raises(InputError, match="no drill's folder"):
        take_back(tmp_path, tmp_path)


@pytest.mark.parametrize(
    ("truth", "answer", "grades", "strays"),
    [
        (["silent:U4"], ["silent:U4"], ["right"], 0),
        (["open:A1@U4"], ["stuck:A1=1@U4"], ["same"], 0),
        (["stuck:A9=1@bus"], ["stuck:A9=0@bus"], ["place"], 0),
        (["stuck:CS_U4=1@decoder"], ["plane:U4.3"], ["place"], 0),
        (["silent:U4"], ["clip:A3"], ["wrong"], 1),
        (["silent:U4"], ["silent:U4", "clip:A3"], ["right"], 1),
        (["silent:U4", "held:NMI=0"], ["held:NMI=0", "silent:U4"], ["right", "right"], 0),
        (["silent:U4", "held:NMI=0"], ["held:NMI=0"], ["wrong", "right"], 0),
    ],
)
def test_answers_are_graded_fault_by_fault(exercise_of, truth, answer, grades, strays):
    checked = check_answer(exercise_of(*truth), faults(*answer))
    assert [grade for _, grade in checked.grades] == grades
    assert len(checked.strays) == strays
    assert checked.solved is (strays == 0 and set(grades) <= {"right", "same"})


def test_any_cell_of_a_bad_row_is_its_name(exercise_of):
    row = exercise_of(Planting(Fault.parse("cell:U4.0040.1=1"), "row"))
    checked = check_answer(row, faults("cell:U4.0160.1=1"))
    assert [grade for _, grade in checked.grades] == ["right"]
    checked = check_answer(row, faults("cell:U4.0041.1=1"))
    assert "right" not in [grade for _, grade in checked.grades]


def test_one_answer_is_not_taken_for_two_faults(exercise_of):
    checked = check_answer(exercise_of("plane:U4.3", "plane:U5.1"), faults("plane:U5.1"))
    assert dict(checked.grades)[Fault.parse("plane:U5.1")] == "right"
    assert dict(checked.grades)[Fault.parse("plane:U4.3")] == "wrong"


def test_the_first_difference_is_told_with_what_the_cpu_meant(exercise_of):
    """With D3 low in reads the first is the low byte of the vector or before, on D3."""
    drill = exercise_of("stuck:RES=0@clip", cycles=300)
    checked = check_answer(drill, faults("clip:RES"))
    assert [(d.line, d.level, d.healthy) for d in checked.differences] == [("RES", 0, 1)]
    assert checked.first == 12  # RES is low for twelve cycles
    assert checked.reads
    assert checked.differing == 300 - 12


def test_a_clock_that_ends_differs_in_no_line(exercise_of):
    checked = check_answer(exercise_of("clock:stops"), faults("clock:stops"))
    assert checked.differences == ()
    assert checked.first + checked.differing == checked.cycles
    assert check_answer(exercise_of("clock:absent"), faults("clip:A0")).address == -1


def test_the_seal_holds_the_sum_of_the_capture(drill, tmp_path):
    hand_out(drill, tmp_path / "a", "1.0")
    written = (tmp_path / "a" / "boot.vcd").read_bytes()
    assert capture_bytes(drill, tmp_path / "x.vcd") == written
    assert hashlib.sha256(written).hexdigest() in (tmp_path / "a" / "drill.toml").read_text()
    assert not (tmp_path / "x.part").exists()
