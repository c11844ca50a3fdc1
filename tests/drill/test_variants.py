"""The ways in which a fault shows itself, and the cycles in which it acts."""

from pathlib import Path

import numpy as np
import pytest

from bustrace.board import load_board
from bustrace.cpu import CpuState, replay
from bustrace.drill import (
    CPU_DRIVES,
    Occurrence,
    Planting,
    plantable,
    simulate,
    variants_of,
)
from bustrace.drill.plant import plant
from bustrace.drill.planted import Chances
from bustrace.faults import Fault

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SEED = 3


@pytest.fixture(scope="module")
def departures():
    return load_board(FIXTURES / "departure_board" / "board.toml")


@pytest.fixture
def planted(tide_gauge):
    """A function: fault id, variant and occurrence to a short run of the demo board."""

    def run(fault, variant=None, when=None, cycles=1500, board=tide_gauge, **how):
        planting = Planting(Fault.parse(fault), variant, when or Occurrence())
        return simulate(board, cycles=cycles, seed=SEED, faults=[planting], **how)

    return run


def bit(column, place):
    return column >> place & 1


def follows(run, **changed):
    """Whether the CPU does what its sheet says, given what it read."""
    trace = replay(
        CpuState.at_reset(run.board.cpu.variant),
        run.cpu_data,
        res=run.res,
        irq=changed.get("irq", run.irq),
        nmi=run.nmi,
        rdy=run.rdy,
        address=run.cpu_address,
        data=run.cpu_data,
        rw=run.cpu_rw,
        sync=run.sync,
    )
    return trace.first_mismatch is None


# ---- when a fault acts


@pytest.mark.slow
def test_a_fault_from_an_onset_on_leaves_what_was_before(planted, tide_gauge):
    healthy = simulate(tide_gauge, cycles=1500, seed=SEED)
    run = planted("stuck:D0=0@bus", when=Occurrence(onset=700))
    assert np.array_equal(run.clip_data[:700], healthy.clip_data[:700])
    assert not bit(run.clip_data[700:], 0).any()
    assert "D0" not in run.clip_levels


@pytest.mark.parametrize(("activity", "burst"), [(0.1, 1), (0.5, 20), (0.9, 7)])
def test_activity_is_the_share_of_cycles_and_comes_in_bursts(activity, burst):
    acts = Occurrence(100, activity, burst).acts(100_000, 5)
    assert not acts[:100].any()
    assert acts[100:].mean() == pytest.approx(activity, abs=0.03)
    changes = np.flatnonzero(np.diff(acts[100:].astype(int))) + 101
    assert (np.diff(changes) % burst == 0).all()
    assert np.array_equal(acts, Occurrence(100, activity, burst).acts(100_000, 5))
    assert not np.array_equal(acts, Occurrence(100, activity, burst).acts(100_000, 6))
    assert np.array_equal(acts[:999], Occurrence(100, activity, burst).acts(999, 5))


def test_an_intermittent_fault_acts_in_its_cycles_and_in_no_others(planted, tide_gauge):
    when = Occurrence(activity=0.3, burst=5)
    run = planted("stuck:A12=1@behind", when=when)
    acts = when.acts(len(run), SEED)
    address = run.cpu_address
    assert np.array_equal(run.decoder_address, np.where(acts, address | 0x1000, address))
    assert bit(run.cpu_address[acts], 12).min() == 0


@pytest.mark.slow
def test_every_family_can_come_and_go_but_clocks_and_some_clips(tide_gauge, departures):
    when, refused = Occurrence(50, 0.4, 3), set()
    for board in (tide_gauge, departures):
        first = {}
        for fault in plantable(board):
            first.setdefault((fault.family, bool(fault.lines) and fault.lines[0][0]), fault)
        for fault in first.values():
            try:
                run = simulate(board, cycles=120, seed=SEED, faults=[Planting(fault, None, when)])
            except ValueError:
                refused.add(fault.family)
            else:
                assert len(run) == 120
    assert refused <= {"clock", "clip", "stuck"}


@pytest.mark.parametrize("bad", [{"onset": -1}, {"activity": 0.0}, {"activity": 1.5}, {"burst": 0}])
def test_no_such_occurrence(bad):
    with pytest.raises(ValueError, match="no such occurrence"):
        Occurrence(**bad)


def test_reset_and_clock_faults_have_an_onset(planted):
    held = planted("reset:held", when=Occurrence(onset=600))
    assert held.res[599] == 1
    assert not held.res[600:].any()
    assert len(planted("clock:stops", when=Occurrence(onset=600))) == 600


# ---- every variant


@pytest.mark.slow
def test_every_variant_of_every_family_runs(tide_gauge, departures):
    for board in (tide_gauge, departures):
        first = {}
        for fault in plantable(board):
            key = (fault.family, variants_of(board, fault))
            first.setdefault(key, fault)
        for fault in first.values():
            for variant in variants_of(board, fault):
                run = simulate(board, cycles=60, seed=1, faults=[Planting(fault, variant)])
                assert run.faults == (fault,)


def test_an_unknown_variant_is_refused_with_those_there_are(planted):
    with pytest.raises(ValueError, match="rot, blank, revision"):
        planted("content:U5", "worse")


def test_shorts_have_three_ways_to_win(planted):
    high = planted("short:D2+D4@bus", "high")
    assert np.array_equal(bit(high.clip_data, 2), bit(high.clip_data, 4))
    rom = high.drives("U5")
    stored = high.board.image_bytes("U5")[high.cpu_address[rom]]
    assert np.array_equal(bit(high.clip_data[rom], 2), bit(stored, 2) | bit(stored, 4))
    strong = planted("short:A2+A4@bus", "stronger")
    leads = {"A2": 2, "A4": 4}[strong.clip_joins[0].wins]
    for place in (2, 4):
        assert np.array_equal(bit(strong.clip_address, place), bit(strong.cpu_address, leads))


@pytest.mark.slow
@pytest.mark.parametrize(("variant", "wins"), [("low", np.minimum), ("high", np.maximum)])
def test_an_address_line_and_a_data_line_that_touch_show_one_level(tide_gauge, variant, wins):
    """In a write both are the CPU's, and it is known what it means; an undriven line gives way."""
    fault, when, checked = Fault.parse("short:A3+D6@bus"), Occurrence(activity=0.05), 0
    for seed in range(12):
        planting = Planting(fault, variant, when)
        run = simulate(tide_gauge, cycles=1000, seed=seed, faults=[planting])
        acts = when.acts(len(run), seed)
        assert np.array_equal(bit(run.clip_address, 3)[acts], bit(run.clip_data, 6)[acts])
        writes = acts & (run.cpu_rw == 0) & (run.drivers == np.uint32(CPU_DRIVES))
        want = wins(bit(run.cpu_address[writes], 3), bit(run.cpu_data[writes], 6))
        assert np.array_equal(bit(run.clip_data[writes], 6), want)
        empty = acts & (run.drivers == 0)
        assert np.array_equal(bit(run.clip_data[empty], 6), bit(run.cpu_address[empty], 3))
        checked += writes.sum()
    assert checked > 3


def test_a_control_input_at_rest_gives_way_to_the_address_line_that_touches_it(planted):
    run = planted("short:A1+IRQ@bus", "high")
    assert np.array_equal(run.irq, bit(run.clip_address, 1))
    assert (run.irq == 0).any()
    assert follows(run)


def test_read_write_joined_with_an_address_line(planted):
    run = planted("short:A15+RW@bus", "low")
    assert np.array_equal(run.rw, bit(run.clip_address, 15))
    assert (run.rw <= run.cpu_rw).all()
    assert follows(run)


# ---- clips


@pytest.mark.parametrize("line", ["A3", "D6"])
def test_clips_copy_exchange_and_invert(planted, tide_gauge, line):
    place = int(line[1:])
    beside = place ^ 1
    column = "clip_address" if line[0] == "A" else "clip_data"
    true = getattr(simulate(tide_gauge, cycles=1500, seed=SEED), column)
    copies = getattr(planted(f"clip:{line}", "copies"), column)
    assert np.array_equal(bit(copies, place), bit(true, beside))
    assert np.array_equal(bit(copies, beside), bit(true, beside))
    swapped = getattr(planted(f"clip:{line}", "exchanged"), column)
    assert np.array_equal(bit(swapped, place), bit(true, beside))
    assert np.array_equal(bit(swapped, beside), bit(true, place))
    inverted = getattr(planted(f"clip:{line}", "inverted"), column)
    assert np.array_equal(inverted, true ^ (1 << place))
    other = np.bitwise_and(copies ^ true, ~np.asarray(3 << (place & ~1), copies.dtype))
    assert not other.any()


# ---- memory


def test_a_rom_can_be_blank_or_of_another_revision(planted, tide_gauge):
    blank = planted("content:U5", "blank")
    assert (blank.clip_data[blank.drives("U5")] == 0xFF).all()
    other = planted("content:U5", "revision")
    rom = other.drives("U5")
    image = other.board.image_bytes("U5")[other.cpu_address[rom]]
    vector = np.isin(other.cpu_address[rom], [0xFFFC, 0xFFFD])
    assert np.array_equal(other.clip_data[rom][vector], image[vector])
    assert planted("content:U5", "rot").clip_data.shape == other.clip_data.shape


@pytest.mark.parametrize(("variant", "mask"), [("row", 0x1F), ("column", 0x7E0)])
def test_a_row_or_a_column_of_cells_reads_one_level(planted, variant, mask):
    """11 address lines of a 6116: the lower five choose the row here."""
    run = planted("cell:U4.01FD.3=1", variant, cycles=4000)
    mine = run.drives("U4")
    struck = mine & (run.cpu_address & mask == 0x1FD & mask)
    assert struck.sum() > 5
    assert bit(run.clip_data[struck], 3).all()
    assert not bit(run.clip_data[mine & ~struck], 3).all()


@pytest.mark.slow
def test_ram_that_forgets_keeps_what_is_used_often_and_loses_the_rest(planted, departures):
    run = planted("retention:U4", cycles=9000)
    lost = _changed_on_its_own(run, "U4", 0x7FF)
    assert lost
    assert min(lost) > 300
    # All eight chips of a bank, row by row: any access of a row refreshes it.
    planting, gone = Planting(Fault.parse("shared:ram-bank"), "forgets"), []
    for seed in range(6):
        bank = simulate(departures, cycles=6000, seed=seed, faults=[planting])
        gone += _changed_on_its_own(bank, "U20", 0xFFFF)
    assert gone
    assert min(gone) > 300


def _changed_on_its_own(run, ref, mask):
    """Ages in cycles of bytes that were read otherwise than they were left."""
    seen, lost = {}, []
    mine = run.drives(ref)
    for k in np.flatnonzero(mine | (run.selected(ref) & (run.cpu_rw == 0))).tolist():
        at, byte = int(run.cpu_address[k]) & mask, int(run.cpu_data[k])
        if mine[k] and at in seen and seen[at][1] != byte:
            lost.append(k - seen[at][0])
        seen[at] = (k, byte)
    return lost


def test_an_address_pin_of_a_dynamic_ram_carries_a_row_and_a_column_line(planted, departures):
    run = planted("stuck:A3=0@U20", "pin", board=departures)
    at = run.chip_address[:, run.board.map.index("U20")]
    assert not bit(at, 3).any()
    assert not bit(at, 11).any()
    one = planted("stuck:A3=0@U20", "line", board=departures)
    assert bit(one.chip_address[:, one.board.map.index("U20")], 11).any()
    assert variants_of(run.board, Fault.parse("stuck:A3=0@U5")) == ("plain",)


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["dead", "forgets", "late", "address"])
def test_a_shared_cause_strikes_every_chip_of_the_bank_and_no_other(departures, planted, variant):
    run = planted("shared:ram-bank", variant, cycles=3000, board=departures)
    healthy = simulate(departures, cycles=3000, seed=SEED)
    differs = np.flatnonzero(run.clip_data != healthy.clip_data)
    assert len(differs)
    assert run.drives("U5").any()
    if variant == "address":
        rams = [run.board.map.index(f"U{number}") for number in range(20, 28)]
        assert (run.chip_address[:, rams] == run.chip_address[:, rams[:1]]).all()
        assert (run.chip_address[:, rams[0]] != run.cpu_address).any()


# ---- drivers


def test_two_drivers_settle_as_the_variant_says(planted):
    for variant, op in (("low", np.bitwise_and), ("high", np.bitwise_or)):
        run = planted("doubled:U5+U4", variant)
        both = run.drives("U5") & run.drives("U4")
        image = run.board.image_bytes("U5")[run.cpu_address[both]]
        assert both.any()
        assert np.array_equal(op(run.clip_data[both], image), run.clip_data[both])


def test_the_stronger_of_two_drivers_wins_on_every_line(tide_gauge):
    """Which one it is hangs on the seed."""
    winners = set()
    for seed in range(6):
        planting = Planting(Fault.parse("always:U4"), "stronger")
        run = simulate(tide_gauge, cycles=300, seed=seed, faults=[planting])
        both = run.drives("U5") & run.drives("U4")
        rom = run.board.image_bytes("U5")[run.cpu_address[both]]
        shows_rom = (run.clip_data[both] == rom).all()
        winners.add(bool(shows_rom))
        if not shows_rom:
            # The RAM drives while phase 2 is low, too, and by itself.
            assert np.array_equal(run.clip_data[both], run.early_data[both])
    assert winners == {True, False}


def test_at_a_marginal_level_clip_and_cpu_can_differ(planted):
    run = planted("always:U6", "marginal")
    both = run.drives("U6") & (run.drives("U5") | run.drives("U4"))
    assert (run.clip_data[both] != run.cpu_data[both]).any()
    assert np.array_equal(run.clip_data[~both], run.cpu_data[~both])
    assert follows(run)


def test_a_weak_output_is_in_doubt_only_where_it_should_be_high(planted):
    run = planted("plane:U5.1", "weak")
    rom = run.drives("U5")
    image = run.board.image_bytes("U5")[run.cpu_address[rom]]
    for column in (run.clip_data, run.cpu_data):
        wrong = column[rom] ^ image
        assert not (wrong & ~2).any()
        assert not bit(column[rom], 1)[bit(image, 1) == 0].any()
    assert (bit(run.cpu_data[rom], 1) < bit(image, 1)).any()
    assert (run.cpu_data[rom] != run.clip_data[rom]).any()


def test_a_late_chip_leaves_some_of_the_old_byte(planted):
    run = planted("silent:U5", "late")
    k = np.flatnonzero(run.drives("U5"))[1:]
    image = run.board.image_bytes("U5")[run.cpu_address[k]]
    wrong = run.bus_data[k] ^ image
    assert wrong.any()
    old = run.bus_data[k - 1] ^ image
    assert not (wrong & ~old).any()


def test_a_chip_that_always_drives_does_so_while_phase_2_is_low(planted, tide_gauge):
    run = planted("always:U5")
    assert (run.early_driven == 0xFF).all()
    image = run.board.image_bytes("U5")
    here = run.cpu_address >= 0xE000
    assert np.array_equal(run.early_data[here], image[run.cpu_address[here]])
    assert not simulate(tide_gauge, cycles=100, seed=SEED).early_driven.any()


# ---- the undriven bus


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["mixed", "decays", "noisy"])
def test_undriven_lines_do_what_was_asked_and_driven_ones_nothing(tide_gauge, kind):
    run = simulate(tide_gauge, cycles=6000, seed=SEED, undriven=kind)
    plain = simulate(tide_gauge, cycles=6000, seed=SEED)
    empty = np.flatnonzero(run.drivers == 0)
    empty = empty[empty > 0]
    before, now = run.bus_data[empty - 1], run.bus_data[empty]
    if kind == "noisy":
        assert (now != before).any()
        assert (run.clip_data[empty] != run.cpu_data[empty]).any()
    else:
        assert ((now & before) == before).all()
        assert (now != before).any()
        assert (now != 0xFF).any()
    driven = run.drivers != 0
    assert np.array_equal(run.clip_data[driven], run.cpu_data[driven])
    assert np.array_equal(run.cpu_address[:200], plain.cpu_address[:200])
    assert follows(run)


# ---- the CPU


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["opcode", "flag"])
def test_a_cpu_that_breaks_its_sheet_leaves_the_replay(tide_gauge, variant):
    """It agrees with its sheet until the broken part is first used, and not for ever."""
    broken = 0
    for seed in range(8):
        planting = Planting(Fault.parse("cpu:U1"), variant)
        run = simulate(tide_gauge, cycles=4000, seed=seed, faults=[planting])
        broken += not follows(run)
        assert np.array_equal(run.clip_data, run.cpu_data)
    assert broken >= 3
    assert follows(simulate(tide_gauge, cycles=4000, seed=0))


def test_a_chip_forgets_alike_alone_and_with_its_bank(departures):
    """One cause or another: what is left of a row, and when, is the chip's."""
    chances = Chances(SEED)
    alone = plant(departures, [Planting(Fault.parse("retention:U22"), "plain")], chances)
    bank = plant(departures, [Planting(Fault.parse("shared:ram-bank"), "forgets")], chances)
    (chip,) = alone.inside
    assert departures.map.chips[chip] == "U22"
    assert alone.inside[chip].forgetting == bank.inside[chip].forgetting
    assert len({inside.forgetting.left for inside in bank.inside.values()}) == 8


def test_only_memories_of_as_many_data_lines_are_in_each_others_sockets(tide_gauge, departures):
    """A dynamic RAM of one bit has other pins than an EPROM of eight."""

    def swaps(board):
        return {str(f) for f in plantable(board) if f.family == "swapped"}

    assert swaps(tide_gauge) == {"swapped:U4+U5"}
    assert "swapped:U20+U21" in swaps(departures)
    assert not {name for name in swaps(departures) if "U5" in name}
