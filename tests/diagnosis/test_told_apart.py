"""What tells faults apart that act alike: a level in reset, a select, a request."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from drill_readings import FIXTURES, boot, first_class, made_up, members, tide_gauge, undumped
from programmed_boards import programmed

from bustrace.board import load_board
from bustrace.diagnosis import diagnose
from bustrace.diagnosis.gains import CUT_OFF, whole_gain
from bustrace.diagnosis.grouping import RUNNERS_UP, Weighed, with_runners_up
from bustrace.diagnosis.hypotheses import fit_each_other
from bustrace.diagnosis.unheard_chips import UNHEARD_BESIDE
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import BUS, HEALTHY, READS, Assumption, gather, shown_to_answer
from bustrace.hookup import DATA_PINS

LOW_ADDRESS = ("A0", "A1", "A2", "SYNC", "IRQ", "NMI", "RDY")


def in_reads_anywhere(**faulty):
    """What an assumption costs in the reads of which no address is known, and their bytes."""
    evidence = gather(boot(cycles=400, without=LOW_ADDRESS))
    replay = evidence.replay
    anywhere = (replay.address < 0) & (replay.read == 1)
    cost = replay.replay(Assumption(**faulty)).cost[: evidence.n][anywhere]
    return cost, replay.data[anywhere]


@pytest.mark.parametrize("bit", range(8))
def test_a_line_that_moves_in_reset_is_not_held_whoever_drives(bit):
    cost, data = in_reads_anywhere(read_and=0xFF ^ 1 << bit)
    seen_high = bool((data >> bit & 1).any())
    assert float(cost.sum()) == (10.0 if seen_high else 0.0)
    assert len(data) > 5


def test_where_nobody_follows_the_program_no_line_is_held_at_another_level_than_its_clip_shows():
    """Without data there is no program: addresses and directions are those at the clips."""
    evidence = gather(boot(cycles=1500, without=DATA_PINS))
    replay = evidence.replay
    assert not replay.meant.any()

    def extra(**faulty):
        return replay.replay(Assumption(**faulty)).total - replay.healthy.total

    used = np.unique(replay.address[replay.address >= 0])
    assert extra(clip_and=0x7FFF) == 10.0 * (used >= 0x8000).sum()
    assert extra(clip_or=0x8000) == 10.0 * (used < 0x8000).sum()
    apart = (used >> 1 ^ used >> 2) & 1 == 1
    assert extra(short_a=1, short_b=2, short_place=BUS) >= 10.0 * apart.sum() > 0
    written = np.unique(replay.address[(replay.read == 0) & (replay.address >= 0)])
    assert extra(rw_clip=1) == 10.0 * len(written)


def test_lines_that_differ_in_reset_are_not_joined_whoever_drives():
    _, data = in_reads_anywhere()
    told = set()
    for a, b in combinations(range(8), 2):
        cost, _ = in_reads_anywhere(data_short_a=a, data_short_b=b, data_short_place=READS)
        differ = bool(((data >> a ^ data >> b) & 1).any())
        assert float(cost.sum()) == (10.0 if differ else 0.0)
        told.add(differ)
    assert told == {True, False}


def test_a_register_that_shows_a_level_is_not_stuck_at_the_other():
    """Of a register nothing is known, but for the chip's own pins."""
    evidence = gather(boot(cycles=9000))
    replay = evidence.replay
    chip = replay.chips.index("U6")
    reads = (replay.read == 1) & (replay.healthy.drivers == np.uint32(1 << chip))
    first = int(np.flatnonzero(reads & (replay.healthy.expected_known == 0))[0])
    healthy, byte = replay.healthy.cost[first], int(replay.data[first])
    assert byte not in (0x00, 0xFF)
    for bit in range(8):
        low = replay.replay(Assumption(data_pin_chip=chip, data_pin_and=0xFF ^ 1 << bit))
        assert (low.cost[first] - healthy > 5) == bool(byte >> bit & 1), bit
        # A line that is held for all chips tells the same of this read.
        held = replay.replay(Assumption(read_and=0xFF ^ 1 << bit))
        assert held.cost[first] == low.cost[first]


@pytest.mark.slow
def test_a_chip_that_drives_along_without_its_select_is_not_doubled():
    """A decoder that selects two chips shows at the clip of the second one's select."""
    named = first_class(diagnose(boot(Planting(Fault.parse("always:U5"), "low"), cycles=4000)))
    assert "always:U5" in named
    assert not {name for name in named if name.startswith("doubled")}
    along = first_class(diagnose(boot(Planting(Fault.parse("doubled:U4+U5"), "low"), cycles=4000)))
    assert "doubled:U4+U5" in along
    assert "always:U5" not in along


def fetching_and_storing(code):
    """Nothing but the RAM and the ROM is used."""
    code.label("again")
    for place in range(60):
        code.op("LDA", "imm", place * 37 & 0xFF)
        code.op("STA", "zp", 8 + place % 8)
        code.op("LDA", "zp", 8 + place * 3 % 8)
    code.op("JMP", "jump", "again")


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "elsewhere"), [(2, True), (3, True), (0, False)])
def test_a_chip_that_is_selected_along_and_loses_each_time(tmp_path, seed, elsewhere):
    """No byte shows it. A clip that rests would rest in reads of empty places, too."""
    board = programmed(tmp_path, fetching_and_storing)
    fault = Planting(Fault.parse("doubled:U5+U4"), "stronger")
    named = first_class(diagnose(boot(fault, board=board, cycles=1500, seed=seed)))
    assert "doubled:U5+U4" in named
    assert ("clip:CS_U4" in named) != elsewhere


@pytest.mark.slow
def test_a_select_that_comes_at_the_clip_of_its_net_is_not_held_there():
    """The eight RAMs of a bank share a net, clipped at the first of them."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    named = first_class(diagnose(boot("silent:U24", board=board, cycles=5000)))
    assert {"silent:U24", "stuck:CS_U24=1@U24", "stuck:CS_U24=1@behind"} <= named
    assert not {"stuck:CS_U24=1@bus", "stuck:CS_U24=1@decoder"} & named
    without = boot("silent:U24", board=board, cycles=5000, without=("CS_RAM",))
    assert {"silent:U24", "stuck:CS_U24=1@bus"} <= first_class(diagnose(without))


@pytest.mark.slow
def test_a_chip_that_is_heard_to_ask_gets_what_is_written_to_it():
    """Its timer runs out as the program set it: only its outputs are dead, its select is not."""
    heard = boot("silent:U6", cycles=9000)
    assert gather(heard).heard == 1 << tide_gauge().map.index("U6")
    named = first_class(diagnose(heard))
    assert "silent:U6" in named
    assert "stuck:CS_U6=1@U6" not in named


def test_no_line_leads_astray_what_a_chip_that_is_heard_to_ask_was_written():
    """With A14 high at the decoder nobody is asked where the port is."""
    astray = Assumption(decoder_or=1 << 14)
    bits = {}
    for cycles in (2000, 9000):
        evidence = gather(boot(cycles=cycles))
        answers = evidence.replay.replay(astray)
        assert not answers.written_to
        explained = evidence.replay.healthy.total - answers.total
        bits[cycles] = explained - whole_gain(evidence, answers, astray)
    assert bits == {2000: 0.0, 9000: CUT_OFF}


@pytest.mark.slow
def test_a_chip_that_neither_answers_nor_asks_is_not_reached():
    """One class of what keeps its select from it, not a request and an answer that both fail."""
    diagnosis = diagnose(boot("stuck:CS_U6=1@U6", cycles=9000))
    first = diagnosis.suspects[0]
    assert {"silent:U6", "open:CS_U6@U6", "stuck:CS_U6=1@U6"} <= members(first)
    assert {"poll-unanswered", "interrupt-unheard"} <= set(first.explains)
    # Its select comes, as the clip shows.
    assert "stuck:CS_U6=1@bus" not in members(first)
    assert [str(s.fault) for s in diagnosis.suspects].count("silent:U6") == 1


def test_requests_are_heard_without_a_clip_on_irq_when_the_cpu_takes_them():
    heard = 1 << tide_gauge().map.index("U6")
    assert gather(boot(cycles=9000, without=("IRQ",))).heard == heard
    assert gather(boot(cycles=2000)).heard == 0


@pytest.mark.slow
@pytest.mark.parametrize("cell", ["cell:U5.1FFC.4=1", "cell:U5.0000.2=1"])
def test_one_wrong_bit_of_a_rom_is_a_bad_cell_or_another_content(cell):
    """In the vector; in the first opcode, which then goes by an X that nobody knows, and is run
    once.
    """
    reading = boot(Planting(Fault.parse(cell), "alone"), cycles=1500)
    first = first_class(diagnose(reading))
    assert {cell, "content:U5"} <= first


@pytest.mark.slow
@pytest.mark.parametrize("way", ["address", "multiplexer"])
def test_the_multiplexer_of_a_bank_is_one_cause_for_all_its_chips(way):
    """It holds one line of the address, or does not switch from one half of it to the other."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    planted = Planting(Fault.parse("shared:ram-bank"), way)
    assert first_class(diagnose(boot(planted, board=board, cycles=5000))) == {"shared:ram-bank"}


@pytest.mark.slow
def test_a_chip_that_neither_asks_nor_shows_that_it_answers_may_not_be_reached(tmp_path):
    """It is named once, and the request that is not heard is explained by it."""
    board = made_up(tmp_path, 5)
    silent = boot("open:CS_Z6@Z6", board=board, cycles=4000, undriven="decays")
    diagnosis = diagnose(silent)
    named = [str(s.fault) for s in diagnosis.suspects]
    assert named.count("silent:Z6") == 1
    assert "open:CS_Z6@Z6" in first_class(diagnosis)
    assert "interrupt-unheard" in diagnosis.suspects[0].explains
    assert not diagnosis.unexplained


@pytest.mark.slow
@pytest.mark.parametrize("shown", [True, False])
def test_a_chip_that_does_not_ask_is_rather_dead_where_no_read_shows_that_it_answers(
    monkeypatch, shown
):
    monkeypatch.setattr("bustrace.diagnosis.unheard_chips.shown_to_answer", lambda *given: shown)
    quiet = Planting(Fault.parse("register:U6"), "quiet")
    suspects = diagnose(boot(quiet, cycles=9000)).suspects
    wanted = ["register:U6"] if shown else ["silent:U6", "register:U6"]
    assert [str(suspect.fault) for suspect in suspects] == wanted


def test_reads_that_no_undriven_bus_gives_show_that_a_chip_answers(tmp_path):
    assert shown_to_answer(gather(boot()), "U4")
    board = made_up(tmp_path, 5)
    silent = boot("open:CS_Z6@Z6", board=board, cycles=4000, undriven="decays")
    assert not shown_to_answer(gather(silent), "Z6")


@pytest.mark.slow
def test_a_register_that_is_hardly_weighed_does_not_hide_a_request_that_nobody_hears(tmp_path):
    """Told twice, the likelier stays."""
    board = made_up(tmp_path, 20)
    reading = boot("stuck:CS_IC6=1@IC6", board=board, cycles=4000, undriven="noisy")
    first = diagnose(reading).suspects[0]
    assert str(first.fault) == "register:IC6"
    assert first.probability >= UNHEARD_BESIDE
    assert {"io-content", "interrupt-unheard"} <= set(first.explains)


NARROW = (
    "PHI2", "RES", "RW", *(f"D{bit}" for bit in range(8)), *(f"A{bit}" for bit in range(15, 2, -1))
)  # fmt: skip
"""Without SYNC, and with an address that is not whole."""


@pytest.mark.slow
@pytest.mark.parametrize("line", ["D1", "D5", "D7"])
@pytest.mark.parametrize("bench", [boot, undumped])
def test_a_data_clip_that_inverts_is_told_from_a_chip_of_other_content(bench, line):
    """The program goes on with the line upside down, and does not with any other."""
    upside_down = Planting(Fault.parse(f"clip:{line}"), "inverted")
    diagnosis = diagnose(bench(upside_down, lines=NARROW, cycles=1500))
    assert first_class(diagnosis) == {f"clip:{line}"}
    assert diagnosis.verdict != "fault"
    assert any("upside down" in note.text for note in diagnosis.trust)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("held", "seed"), [("A2=0", 8), ("A2=0", 10), ("A2=0", 13), ("A13=0", 11), ("A13=0", 12)]
)
def test_an_address_line_that_rests_where_the_vector_is_fetched_is_stuck(held, seed):
    """Wherever the two bytes lead that are read there instead, and however noisy the bus is."""
    diagnosis = diagnose(boot(f"stuck:{held}@bus", cycles=1500, seed=seed, undriven="noisy"))
    assert f"stuck:{held}@bus" in first_class(diagnosis)


@pytest.mark.slow
def test_a_pointer_that_the_cpu_saw_otherwise_is_no_clip():
    """A weak bit of a RAM: the clips see a level that the CPU does not, as its address shows."""
    planting = Planting(Fault.parse("plane:U4.4"), "weak")
    weak = boot(planting, cycles=6000, seed=7, without=("A10",))
    assert gather(weak).replay.elsewhere.any()
    diagnosis = diagnose(weak)
    assert first_class(diagnosis) == {"plane:U4.4"}
    assert not any(s.fault.family == "clip" for s in diagnosis.suspects)


@pytest.mark.parametrize("line", ["A2", "A4"])
def test_a_clip_that_inverts_stands_before_a_rom_of_another_revision(line):
    two = (
        Planting(Fault.parse("content:U5"), "revision"),
        Planting(Fault.parse(f"clip:{line}"), "inverted"),
    )
    clip, rom = diagnose(boot(*two, cycles=3000)).suspects[:2]
    assert (str(clip.fault), str(rom.fault)) == (f"clip:{line}", "content:U5")


def weighed(gain: float, probability: float) -> Weighed:
    return Weighed(Fault("silent", chip="U4"), (), gain, probability, 0, False, HEALTHY, -5.0)


def test_what_explains_nearly_as_much_is_looked_for_next():
    """Of 500 bits, 20 are what the models are off; 300 are not."""
    first, near, far = with_runners_up(
        [weighed(500, 0.8), weighed(480, 2e-6), weighed(200, 0.0)], listed=0.8
    )
    assert first.probability == 0.8
    assert 0.05 < near.probability < 0.1
    assert far.probability < 0.005


def test_what_is_behind_shares_no_more_than_what_is_not_as_it_seems():
    groups = [weighed(100, 0.5), *(weighed(99, 0.1) for _ in range(3))]
    behind = with_runners_up(groups, listed=0.8)[1:]
    assert sum(each.probability for each in behind) == pytest.approx(0.3 + RUNNERS_UP * 0.2)
    assert with_runners_up(groups[:1], listed=0.8) == groups[:1]


@pytest.mark.parametrize("probability", [0.4, 0.03])
def test_what_is_behind_stays_behind(probability):
    """Also where something that is not listed is likelier than all of them."""
    near = [weighed(100, probability), weighed(99, 0.9 * probability)]
    first, second = with_runners_up(near, listed=0.8)
    assert first.probability == probability >= second.probability


def test_a_larger_group_that_is_likelier_than_the_first_stays_so():
    """The first has the likeliest single fault, not always the most probability."""
    one, many = weighed(100, 0.3), weighed(99.5, 0.4)
    assert [g.probability for g in with_runners_up([one, many], listed=0.8)] == [0.3, 0.4]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("joined", "seed"), [("A0+A13", 6), ("A0+A13", 13), ("A1+A2", 10), ("A1+A5", 11), ("A0+A8", 6)]
)
def test_address_lines_that_touch_where_the_vector_is_fetched_are_joined(joined, seed):
    """They move as one, so that one of the two is wrong there."""
    reading = boot(f"short:{joined}@bus", cycles=3000, seed=seed, undriven="noisy")
    assert set(joined.split("+")) <= set(reading.program.lines_aside)
    assert f"short:{joined}@bus" in first_class(diagnose(reading))


@pytest.mark.parametrize(
    ("one", "other", "fit"),
    [
        ("U20", "U21", True),  # dynamic RAMs of one bit
        ("U5", "U20", False),  # an EPROM of eight lines
        ("U6", "U7", False),  # I/O chips of two kinds
        ("U5", "U6", False),
    ],
)
def test_chips_go_into_sockets_that_have_their_data_lines(one, other, fit):
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    assert fit_each_other(board, one, other) is fit
