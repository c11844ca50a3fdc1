"""With a ROM image alone: how sure a suspect may be, and who else is named."""

from __future__ import annotations

import pytest
from drill_readings import FIXTURES, read, run

from bustrace.board import board_from_roms, unknown_board
from bustrace.diagnosis import diagnose
from bustrace.diagnosis.without_board import BY_HAND, NO_BOARD, WRITE_ONE

ROM_ALONE = board_from_roms([(FIXTURES / "tide_gauge" / "tide_gauge.bin", 0xE000)])


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["doubled:U5+U4", "content:U5", "stuck:CS_U5=1@decoder"])
def test_a_rom_that_reads_wrong_has_three_explanations(fault):
    """The ROM, a ROM that is not selected, another chip that drives too; a board file tells."""
    reading = read(run(fault, cycles=1500), board=ROM_ALONE)
    diagnosis = diagnose(reading)
    first = diagnosis.suspects[0]
    named = {str(f) for f in (first.fault, *first.alike)}
    (ref,) = (chip.ref for chip in ROM_ALONE.chips if chip.role == "rom")
    assert {f"silent:{ref}", f"doubled:{ref}+other"} <= named
    assert first.probability <= NO_BOARD
    assert WRITE_ONE in diagnosis.next_steps


@pytest.mark.slow
def test_a_stuck_data_line_needs_no_board_file_to_be_sure():
    """It shows in every read at the clip."""
    first = diagnose(read(run("stuck:D3=0@read", cycles=1500), board=ROM_ALONE)).suspects[0]
    assert first.fault.lines == ("D3",)
    assert first.probability > NO_BOARD


@pytest.mark.slow
def test_where_nothing_is_suspected_there_is_still_something_to_probe():
    """Nobody drives the vector of a board that nobody described: the ROM's enables come next."""
    diagnosis = diagnose(read(run("silent:U5", cycles=600), board=unknown_board()))
    assert (diagnosis.verdict, diagnosis.suspects) == ("fault", ())
    assert diagnosis.next_steps[0] == BY_HAND["vector-undriven"]
