"""Many at once: a bank of narrow chips, all that one decoder serves, a chip that drives unasked."""

from __future__ import annotations

import pytest
from drill_readings import boot, first_class, only, rules
from programmed_boards import BOARD, programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import find_all
from bustrace.reading import read_boot

RAM = BOARD[BOARD.index('[[chips]]\nref = "U4"') : BOARD.index('[[chips]]\nref = "U5"')]
HALVES = "".join(
    f'[[chips]]\nref = "{ref}"\nrole = "ram"\nsize = 2048\nrange = "$0000-$07FF"\n'
    f'data = "{lanes}"\nrails = {{ "-5V" = 1 }}\n\n'
    for ref, lanes in (("U10", "D0-D3"), ("U11", "D4-D7"))
)
NARROW = BOARD.replace(RAM, HALVES)
BEHIND = """[[chips]]
ref = "U2"
part = "74LS138"
inputs = { A = "A13", B = "A14", C = "A15" }
outputs = { Y0 = "U4", Y1 = "U9", Y2 = "U6" }

[[chips]]
ref = "U9"
role = "ram"
size = 8192
select = { line = "CS_RAM2" }

"""
DECODED = (
    BOARD.replace('range = "$0000-$07FF"\n', "")
    .replace('range = "$4000-$400F"\n', "")
    .replace('[[chips]]\nref = "U4"', BEHIND + '[[chips]]\nref = "U4"')
)


def fills_and_reads(pages=(0,)):
    """Write a changing byte to many cells, then read them all back, for ever."""

    def main(code):
        code.label("again")
        for page in pages:
            code.op("LDX", "imm", 0x20)
            fill, check = code.fresh("fill"), code.fresh("check")
            code.label(fill)
            code.op("TXA")
            code.op("EOR", "imm", 0x5A)
            code.op("STA", "abs,x", page * 256)
            code.op("DEX")
            code.op("BNE", "rel", fill)
            code.op("LDX", "imm", 0x20)
            code.label(check)
            code.op("LDA", "abs,x", page * 256)
            code.op("DEX")
            code.op("BNE", "rel", check)
        code.op("JMP", "jump", "again")

    return main


def test_a_healthy_narrow_bank_is_silent(tmp_path):
    board = programmed(tmp_path, fills_and_reads(), board=NARROW)
    diagnosis = diagnose(boot(board=board, cycles=3000))
    assert rules(diagnosis.findings, "fault", "oddity") == set()
    assert diagnosis.suspects == ()


@pytest.mark.slow
def test_one_bad_half_is_that_chip(tmp_path):
    """Its own bits, its own finding; the other half is not blamed, and nothing is shared."""
    board = programmed(tmp_path, fills_and_reads(), board=NARROW)
    diagnosis = diagnose(boot("plane:U11.6", board=board, cycles=3000))
    finding = only(diagnosis.findings, "ram-content")
    assert finding.chips == ("U11",)
    assert "D6" in finding.measured
    assert "shared-cause" not in rules(diagnosis.findings)
    assert {"plane:U11.6", "silent:U11"} & first_class(diagnosis)


@pytest.mark.slow
def test_a_whole_bank_that_is_bad_has_one_cause(tmp_path):
    """Both halves mute: one finding names them, and what they share is the first suspect."""
    board = programmed(tmp_path, fills_and_reads(), board=NARROW)
    diagnosis = diagnose(boot("silent:U10", "silent:U11", board=board, cycles=3000))
    finding = only(diagnosis.findings, "shared-cause")
    assert (finding.severity, finding.chips) == ("fault", ("U10", "U11"))
    assert "Every chip of the RAM bank fails" in finding.text
    assert "shared:ram-bank" in first_class(diagnosis)


@pytest.mark.slow
def test_chips_behind_one_decoder_share_it(tmp_path):
    """Two RAMs behind U2 are mute and the ROM, which is not behind it, answers."""
    board = programmed(tmp_path, fills_and_reads((1, 0x20)), board=DECODED)
    healthy = find_all(boot(board=board, cycles=3500))
    assert rules(healthy, "fault", "oddity") == set()
    diagnosis = diagnose(boot("silent:U4", "silent:U9", board=board, cycles=3500))
    finding = only(diagnosis.findings, "shared-cause")
    assert set(finding.chips) == {"U4", "U9"}
    assert "U2" in finding.text
    # Their selects are seen to come: it is not U2, but what all RAM has in common.
    assert "shared:ram-bank" in first_class(diagnosis)
    assert "shared:U2" in first_class(diagnose(boot("shared:U2", board=board, cycles=3500)))
    one = find_all(boot("silent:U9", board=board, cycles=3500))
    assert "shared-cause" not in rules(one)


@pytest.mark.slow
def test_a_rom_that_drives_unasked_is_named(tmp_path):
    """Reads of RAM are the AND of its byte and of what the ROM holds at that inner address."""
    board = programmed(tmp_path, fills_and_reads(), board=BOARD)
    reading = boot("always:U5", board=board, cycles=3000, without=["CS_ROM"])
    diagnosis = diagnose(reading)
    finding = only(diagnosis.findings, "drives-unasked")
    assert (finding.severity, finding.chips) == ("fault", ("U5", "U4"))
    assert {"always:U5", "doubled:U4+U5"} & first_class(diagnosis)


def test_a_mirror_that_the_board_file_lacks_is_an_oddity(tmp_path):
    """The chip answers at addresses where the file has nobody: a mirror, or a fault."""

    def main(code):
        code.label("again")
        code.op("LDX", "imm", 0x20)
        code.label("look")
        code.op("LDA", "abs,x", 0xC000)
        code.op("DEX")
        code.op("BNE", "rel", "look")
        code.op("JMP", "jump", "again")

    mirrored = BOARD.replace('"$E000-$FFFF"', '["$C000-$DFFF", "$E000-$FFFF"]')
    truth = programmed(tmp_path / "truth", main, board=mirrored)
    told = programmed(tmp_path / "told", main)
    reading = boot(board=truth, cycles=1500, without=["CS_ROM"])
    found = find_all(read_boot(reading.capture, told))
    finding = only(found, "answers-unasked")
    assert (finding.severity, finding.chips) == ("oddity", ("U5",))
    assert "lacks a mirror" in finding.text
    assert rules(found, "fault") == set()
    assert "answers-unasked" not in rules(find_all(reading))
