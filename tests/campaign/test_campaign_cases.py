"""Drawing: every number its case, every family in turn, lines as a bench clips them."""

from collections import Counter

import numpy as np
import pytest

from bustrace.campaign import draw_case
from bustrace.campaign.boards import board_files, faults_of, loaded, made_up_board, without_images
from bustrace.campaign.cases import (
    BY_CHANCE,
    LENGTHS,
    LINE_SETS,
    MOST_CYCLES,
    draw_faults,
    kind_of,
    lines_of,
)
from bustrace.drill import plantable
from bustrace.faults import Fault


def test_a_number_is_a_case_for_ever(plan):
    assert draw_case(plan, "planted", 7) == draw_case(plan, "planted", 7)
    assert draw_case(plan, "planted", 7) != draw_case(plan, "planted", 8)
    assert draw_case(plan, "healthy", 7).faults == ()


def test_the_plan_tells_seed_and_boards(plan):
    assert plan.digest == type(plan)(plan.seed, plan.boards).digest
    assert plan.digest != type(plan)(plan.seed + 1, plan.boards).digest
    assert plan.digest != type(plan)(plan.seed, plan.boards[:1]).digest


@pytest.mark.slow
def test_draws_vary_in_all_that_is_reported(plan):
    cases = [draw_case(plan, "planted", number) for number in range(60)]
    assert {case.cycles for case in cases} == set(LENGTHS)
    assert max(LENGTHS) == MOST_CYCLES == 20_000
    assert {case.line_set for case in cases} == set(LINE_SETS)
    assert {case.nuisances for case in cases} == {True, False}
    assert {case.rom_known for case in cases} == {True, False}
    assert {len(case.faults) for case in cases} == {1, 2}
    assert len({case.conditions for case in cases if case.nuisances}) > 20
    assert len({case.conditions for case in cases if not case.nuisances}) == 1


def test_every_family_is_drawn_about_as_often(tide_gauge):
    among, rng = faults_of(tide_gauge), np.random.default_rng(1)
    families = {fault.family for fault in among}
    drawn = Counter(draw_faults(rng, among, 1)[0].family for _ in range(12 * len(families)))
    assert set(drawn) == families
    assert max(drawn.values()) < 4 * min(drawn.values())


def test_two_drawn_faults_differ_and_leave_one_thing_to_chance(tide_gauge):
    among, rng = faults_of(tide_gauge), np.random.default_rng(1)
    for _ in range(200):
        first, second = draw_faults(rng, among, 2)
        assert first != second
        assert not {first.family, second.family} <= set(BY_CHANCE)


def test_kinds_are_families_with_group_and_place():
    assert kind_of(Fault.parse("stuck:A9=1@U4")) == "stuck address @pin"
    assert kind_of(Fault.parse("short:D1+D4@bus")) == "short data @bus"
    assert kind_of(Fault.parse("stuck:CS_U4=1@decoder")) == "stuck select @decoder"
    assert kind_of(Fault.parse("silent:U4")) == "silent"


def test_lines_are_clipped_in_the_order_of_the_bench(case_of):
    record = case_of(cycles=100).run(())
    sixteen, twentyfour = lines_of(record, "16"), lines_of(record, "24")
    assert {"PHI2", "RES", "RW", "D0", "D7", "A15"} <= set(sixteen)
    assert "A0" not in twentyfour
    assert twentyfour[:16] == sixteen
    assert [len(lines_of(record, name)) for name in ("8", "16", "24", "32")] == [8, 16, 24, 32]
    assert {"IRQ", "A0", "SYNC"} <= set(lines_of(record, "32"))


def test_a_board_goes_along_with_all_that_it_names(tide_gauge, tmp_path):
    path = tide_gauge.write(tmp_path)
    assert board_files(path).files == tide_gauge.files
    assert any(name.endswith(".bin") for name, _ in tide_gauge.files)
    assert loaded(tide_gauge).name.startswith("Tide-gauge display")


def test_files_outside_the_boards_folder_stay_there(tmp_path):
    home = tmp_path / "board"
    made_up_board(1).write(home)
    (tmp_path / "secret.bin").write_bytes(b"x")
    text = (home / "board.toml").read_text()
    (home / "board.toml").write_text(text.replace('"made-up board"', '"../secret.bin"'))
    assert [name for name, _ in board_files(home / "board.toml").files] == ["board.toml", "rom.bin"]


def test_who_has_no_dump_has_no_images(tide_gauge):
    board = without_images(loaded(tide_gauge))
    assert not any(chip.images for chip in board.mapped)
    assert board.map is loaded(tide_gauge).map


def test_plantable_faults_can_be_planted_and_hold_every_family_of_the_drill(tide_gauge, case_of):
    board = loaded(tide_gauge)
    faults = plantable(board)
    assert len(set(faults)) == len(faults)
    planted = {fault.family for fault in faults}
    assert planted >= {"stuck", "short", "open", "clip", "held", "silent", "always", "doubled"}
    assert planted >= {"content", "plane", "cell", "swapped", "clock", "reset"}
    for fault in faults[:: len(faults) // 25]:
        assert len(case_of(cycles=50).run([fault])) <= 50
    assert Fault.parse("stuck:A15=1@U4") not in faults  # a RAM has no such pin
