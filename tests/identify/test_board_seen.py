"""What whole captures show of their boards, against the boards as they are."""

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import BUSES, FIXTURES, read, run, tide_gauge

from bustrace import load_board, open_capture, read_boot
from bustrace.board import READ, WRITE, load_image
from bustrace.drill import healthy_boots
from bustrace.identify import board_seen
from bustrace.identify.blocks import covered

IMAGE = FIXTURES / "tide_gauge" / "tide_gauge.bin"


def seen_in(name, *images):
    """The demo board's fixture, without its board file."""
    path = next((FIXTURES / f"tide_gauge_{name}").glob("capture.*"))
    return board_seen(read_boot(open_capture(path)), [load_image(path) for path in images])


def chips_of(seen):
    return {chip.ref: chip for chip in seen.chips}


@pytest.mark.slow
def test_the_healthy_board_is_seen_as_it_is():
    """Selects, the image's place, RAM, I/O and a latch; nothing beyond the real decoding."""
    seen = seen_in("healthy", IMAGE)
    chips = chips_of(seen)
    board, truth = tide_gauge(), {"RAM": "U4", "ROM": "U5", "IO": "U6", "LATCH": "U7"}
    assert {ref: chip.taken for ref, chip in chips.items()} == {
        "RAM": "ram", "ROM": "rom", "IO": "io", "LATCH": "io",
    }  # fmt: skip
    for ref, chip in chips.items():
        reads, writes = covered(chip.read_ranges), covered(chip.write_ranges)
        assert not (reads & ~board.map.readers(truth[ref])).any(), ref
        if chip.taken != "rom":
            assert not (writes & ~board.map.takers(truth[ref])).any(), ref
    (place,) = chips["ROM"].image.places
    assert (place.base, place.matching) == (0xE000, place.compared)
    assert place.compared > 600
    assert chips["RAM"].memory.lost == 0
    assert chips["LATCH"].read_ranges == ()
    assert seen.contradicted == ()
    # The firmware asks beyond its RAM, where nobody answers.
    (beyond,) = seen.unexplained
    assert (beyond.first, beyond.last, beyond.habit) == (0x2000, 0x3C00, "not kept")
    assert [hold.line for hold in seen.holds] == ["IRQ"]


@pytest.mark.slow
def test_the_simulators_board_is_seen_as_it_is(captures_dir):
    """RAM at $0000-$3FFF, ROM at $8000-$FFFF, nothing else (the captures' README)."""
    reading = read_boot(open_capture(captures_dir / "healthy.vcd"))
    seen = board_seen(reading, [load_image(captures_dir / "exerciser_rom.bin")])
    chips = chips_of(seen)
    assert (chips["RAM"].taken, chips["ROM"].taken) == ("ram", "rom")
    assert not (covered(chips["RAM"].read_ranges) & ~covered(((0, 0x3FFF),))).any()
    assert chips["ROM"].read_ranges == ((0x8000, 0xFFFF),)
    assert chips["ROM"].image.places[0].matching > 4000
    for ref in ("VIA", "UART", "DISP"):
        assert chips[ref].select.addresses == 0
        assert not chips[ref].read_ranges
    assert seen.unexplained == ()


@pytest.mark.slow
def test_without_selects_the_bytes_tell(captures_dir):
    """Image and memory are found where no select was captured."""
    reading = read_boot(open_capture(captures_dir / "irq_held_low.vcd"))
    assert not reading.hookup.selects
    seen = board_seen(reading, [load_image(captures_dir / "exerciser_rom.bin")])
    chips = chips_of(seen)
    assert chips["ROM"].read_ranges == ((0x8000, 0xFFFF),)
    assert chips["RAM"].taken == "ram"
    assert not (covered(chips["RAM"].read_ranges) & ~covered(((0, 0x3FFF),))).any()
    assert not any(row.last > 0x3FFF for row in seen.unexplained)


@pytest.mark.slow
def test_a_rom_that_is_never_read_is_not_claimed(captures_dir):
    """It never drives: the image lies nowhere, and no chip is taken for a ROM or a RAM."""
    reading = read_boot(open_capture(captures_dir / "rom_never_drives.vcd"))
    seen = board_seen(reading, [load_image(captures_dir / "exerciser_rom.bin")])
    assert {chip.taken for chip in seen.chips} == {"other"}
    assert seen.images[0].places == ()
    assert chips_of(seen)["ROM"].read_ranges == ((0xFFFC, 0xFFFD),)


@pytest.mark.slow
def test_a_memory_that_fails_is_not_called_one():
    """What was written does not come back: the select still falls where it falls."""
    seen = seen_in("ram_silent", IMAGE)
    ram = chips_of(seen)["RAM"]
    assert ram.taken == "other"
    assert ram.memory.lost > ram.memory.returned
    assert not (covered(ram.read_ranges) & ~tide_gauge().map.readers("U4")).any()


@pytest.mark.slow
def test_a_line_that_lies_is_told(captures_dir):
    """A9 stuck high at the clip: it never moves, and the CPU meant it otherwise."""
    seen = board_seen(read_boot(open_capture(captures_dir / "a9_stuck_high.csv")))
    assert ("A9", 1) in seen.still_lines
    assert [line for line, _ in seen.contradicted] == ["A9"]


@pytest.mark.slow
def test_a_wrong_revision_counts_its_differing_bytes():
    seen = seen_in("rom_content", IMAGE)
    (place,) = seen.images[0].places
    assert place.base == 0xE000
    assert 0 < place.compared - place.matching < 0.1 * place.compared


def test_two_revisions_do_not_share_a_place():
    """The one that fits better is drafted; the other is kept as what also matches."""
    reading = read(run(cycles=1200))
    right = load_image(IMAGE)
    other = load_image(IMAGE)
    content = right.content.copy()
    content[::3] ^= 0xFF
    other = type(right)("old", "old.bin", content, "0" * 64, 0)
    seen = board_seen(reading, [other, right])
    assert [chip.image.image.path for chip in seen.chips if chip.image] == [str(IMAGE)]
    assert seen.images[0].places


def test_missing_lines_leave_no_chips():
    """Fifteen address lines cannot say where a chip lies."""
    seen = board_seen(read(run(cycles=600), without=["A13"]))
    assert seen.missing_lines == ("A13",)
    assert seen.chips == ()
    assert seen.unexplained == ()
    assert seen.clock_hz == pytest.approx(1e6, rel=0.01)


SELECTS = ("CS_RAM", "CS_ROM", "CS_IO", "CS_LATCH")


@pytest.mark.parametrize(
    ("without", "words"), [([*BUSES, "SYNC", *SELECTS], "clock"), (["RW"], "R/W was not captured")]
)
def test_nothing_to_draft_has_a_reason(without, words):
    seen = board_seen(read(run(cycles=600), without=without))
    assert words in seen.reason
    assert seen.chips == ()


def test_a_stray_sample_beside_another_select_widens_nothing():
    """One cycle of a select beside another one's is counted as a stray."""
    reading = read(run(cycles=2500))
    clean = chips_of(board_seen(reading))
    cycles = reading.cycles
    bits = {ref: np.uint32(1 << cycles.select_names.index(ref)) for ref in cycles.select_names}
    ram, rom = (next(b for r, b in bits.items() if clean_ref in r) for clean_ref in ("U4", "U5"))
    selects = cycles.selects.copy()
    victim = np.flatnonzero((selects & rom != 0) & (cycles.address == 0xE000))[0]
    selects[victim] |= ram
    noisy = replace(cycles, selects=selects)
    seen = chips_of(
        board_seen(
            type(reading)(reading.capture, reading.hookup, reading.board, noisy, reading.program)
        )
    )
    assert seen["U4"].select.strays == 1
    assert seen["U4"].read_ranges == clean["U4"].read_ranges


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(0, 48, 4))
def test_other_healthy_boards_are_never_claimed_to_be_more(seed, tmp_path):
    """RAM is claimed only where RAM answers, images only where their ROM does."""
    (made,) = healthy_boots(tmp_path, 1, seed=seed)
    board = load_board(made.board_path)
    folder = made.board_path.parent
    images = [load_image(folder / i.path) for chip in board.chips for i in chip.images]
    seen = board_seen(read_boot(open_capture(made.capture_path)), images)
    for chip in seen.chips:
        if chip.taken not in ("ram", "rom"):
            continue
        answered = np.zeros(0x10000, dtype=np.bool_)
        for ref in (c.ref for c in board.mapped if c.role == chip.taken):
            bit = np.uint32(1 << board.map.index(ref))
            answered |= board.map.responds[READ] & bit != 0
            if chip.taken == "ram":
                answered &= board.map.responds[WRITE] & bit != 0
        assert not (covered(chip.read_ranges) & ~answered).any(), (chip.ref, made.about)
