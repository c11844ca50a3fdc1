"""What is named where nobody has the ROM's image: the program's sense tells, and the replay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import (
    REPOSITORY,
    at_cycles,
    boot,
    first_class,
    members,
    only,
    read,
    redrawn,
    rules,
    run,
    undumped,
)
from programmed_boards import programmed

from bustrace.board import load_board
from bustrace.diagnosis import diagnose
from bustrace.diagnosis.among_suspects import (
    AND_ASTRAY,
    NO_CHANCE,
    NOTHING_ELSE,
    beside_one_cause,
    more_than_a_clip,
)
from bustrace.diagnosis.cpu_itself import leaves_the_vector
from bustrace.diagnosis.gains import SWAP_LATER, gain_of
from bustrace.diagnosis.model import LIKELY
from bustrace.diagnosis.seen_directly import stuck_line
from bustrace.diagnosis.suspected import suspected
from bustrace.diagnosis.weighing import BY_CHANCE, weigh
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import HEALTHY, Assumption, Finding, find_all, observe
from bustrace.findings.evidence import gather
from bustrace.hookup import DATA_PINS
from bustrace.reading import read_boot

pytestmark = pytest.mark.slow


def planted(fault, variant):
    return Planting(Fault.parse(fault), variant)


@pytest.mark.parametrize("seed", [5, 6])
@pytest.mark.parametrize(
    "fault", ["short:D3+D4@bus", "short:D0+D1@behind", "stuck:D0=1@read", "stuck:D3=0@behind"]
)
def test_a_program_that_makes_no_sense_tells_of_its_data_lines(fault, seed):
    """With the line as the program wants it, its opcodes are those of a program."""
    assert fault in first_class(diagnose(undumped(fault, seed=seed, cycles=2500)))


@pytest.mark.parametrize("fault", ["always:U5", "doubled:U4+U5"])
def test_unknown_bytes_of_two_drivers_are_no_reason_to_doubt_either(fault):
    assert fault in first_class(diagnose(undumped(fault, cycles=2500)))


@pytest.mark.parametrize(("seed", "loses_to"), [(3, {"U5"}), (6, {"U4"}), (4, set())])
def test_a_chip_that_always_drives_may_win_against_some_chips_only(seed, loses_to):
    """Each pair has a stronger one: which, the reads of the other tell."""
    evidence = gather(boot(planted("always:U6", "stronger"), seed=seed, cycles=5000))
    (first, *_) = weigh(evidence)
    assert str(first.fault) == "always:U6"
    chips = enumerate(evidence.replay.chips)
    assert {ref for i, ref in chips if first.assumption.yields >> i & 1} == loses_to


def test_brk_after_brk_is_weighed():
    """Nothing else is seen of it, but the ROM's bytes come twice."""
    diagnosis = diagnose(undumped("short:D0+D1@behind", cycles=2500))
    assert "brk-storm" in rules(diagnosis.findings, "fault")
    assert "brk-storm" in diagnosis.suspects[0].explains


def test_what_explains_little_competes_with_a_rom_of_which_nobody_knows_what_it_holds():
    """Three bytes of the stack with many zeros are no proof of a second driver."""
    diagnosis = diagnose(undumped("swapped:U4+U5", seed=1, cycles=2500))
    little = [s for s in diagnosis.suspects if s.fault.family == "doubled"]
    assert all(suspect.probability < 0.2 for suspect in little)


@pytest.mark.parametrize("how", ["high", "inverted"])
@pytest.mark.parametrize("line", ["D0", "D3", "D7"])
def test_a_data_clip_is_off_where_the_cpu_takes_the_vector_otherwise(line, how):
    """That one line makes all the difference, and never moves or does so in both bytes; a line that
    is stuck sends the CPU to where the vector reads.
    """
    diagnosis = diagnose(undumped(planted(f"clip:{line}", how), cycles=2500))
    assert str(diagnosis.suspects[0].fault) == f"clip:{line}"
    assert rules(diagnosis.findings, "fault") == set()
    stuck = find_all(undumped(f"stuck:{line}=1@read", cycles=2500))
    assert "clip-off" not in rules(stuck)


@pytest.mark.parametrize("line", ["D1", "D4"])
def test_a_data_clip_of_a_28_pin_cpu_is_off_where_it_goes_otherwise(line):
    """It has no pins for A13 to A15, in which the vector differs from where it goes anyway."""
    board = load_board(REPOSITORY / "fixtures/kiln_control/board.toml")
    undumped_board = replace(board, chips=tuple(replace(c, images=()) for c in board.chips))
    record = run(planted(f"clip:{line}", "high"), board=board, cycles=2500)
    diagnosis = diagnose(read(record, board=undumped_board))
    assert str(diagnosis.suspects[0].fault) == f"clip:{line}"
    assert "vector-not-taken" not in rules(diagnosis.findings)


def test_chips_are_not_swapped_while_the_board_runs():
    """From half of the boot on it would explain as much as from the start, and is not believed."""
    evidence = gather(undumped("plane:U4.1", cycles=3000))
    replay = evidence.replay
    swapped = Assumption(swap_a=0, swap_b=1)
    answers = replay.replay(swapped)
    gain, onset = gain_of(evidence, answers, swapped, HEALTHY)
    assert SWAP_LATER > 40
    assert onset == 0 or gain > 0
    assert gain <= max(answers.gain - SWAP_LATER, replay.healthy.total - answers.total) + 1e-6


@pytest.mark.parametrize("line", ["D1", "D4"])
def test_a_line_that_no_memory_brings_to_a_level_is_stuck(line):
    """Too little of the ROM was read, but RAM that nobody wrote has both levels, too."""
    found = find_all(undumped(f"stuck:{line}=1@read", cycles=2500))
    (stuck,) = (f for f in found if f.rule == "line-stuck" and f.lines == (line,))
    assert (stuck.severity, stuck.chips) == ("fault", ())
    assert "reads of U5, U4" in stuck.text


def test_a_cpu_in_a_small_loop_on_unclipped_lines_does_not_stand():
    reading = boot("silent:U4", cycles=5000, without=("A0", "A1", "A2", "RDY"))
    assert "cpu-stands" not in rules(find_all(reading))


@pytest.mark.parametrize("seed", [3, 5])
def test_a_program_that_loses_its_way_points_to_its_rom_where_nothing_else_does(seed):
    """Bits were lost, and the CPU jams: which byte was wrong nobody can tell."""
    diagnosis = diagnose(undumped(planted("content:U5", "rot"), seed=seed, cycles=2500))
    assert rules(diagnosis.findings, "fault") == {"cpu-jam"}
    (suspect,) = diagnosis.suspects
    assert str(suspect.fault) == "content:U5"
    assert suspect.probability == 0.5
    # A ROM in the RAM's socket would not have given back what was written.
    assert first_class(diagnosis) == {"content:U5"}


def test_one_bit_that_rests_in_one_chip_alone_is_that_chips():
    """The line moves elsewhere, so it is no clip, and no line of the bus; where it rests in reads
    of all chips, it is held on their way to the CPU.
    """
    reading = undumped("plane:U5.1", cycles=2500)
    seen = observe(reading)
    finding = only(seen.findings, "line-stuck")
    suspect = stuck_line(seen, finding)
    assert members(suspect) == {"plane:U5.1", "stuck:D1=0@U5"}
    everywhere = replace(finding, chips=())
    assert members(stuck_line(seen, everywhere)) == {"stuck:D1=0@read", "stuck:D1=0@bus"}


def test_where_no_level_is_wrong_another_content_explains_half_of_it():
    """Some bytes of a boot that is soon lost are likelier with D3 low, or by chance."""
    evidence = gather(undumped("plane:U5.3", cycles=120))
    assert evidence.replay.wrong == 0
    plane, content = weigh(evidence)
    assert (str(plane.fault), str(content.fault)) == ("plane:U5.3", "content:U5")
    assert content.gain == BY_CHANCE * plane.gain


def test_a_rom_that_holds_another_program_may_sit_in_another_socket_too():
    """Its content was weighed, and nothing else tells why the program lost its way; but a RAM that
    gives back what was written to it sits where it should.
    """
    swapped = diagnose(undumped("swapped:U4+U5", seed=3, cycles=120))
    assert {"content:U5", "swapped:U4+U5"} <= first_class(swapped)
    told = diagnose(undumped("stuck:A4=0@U5", cycles=120))
    assert first_class(told) == {"content:U5"}
    assert sum(str(s.fault) == "content:U5" for s in told.suspects) == 1


@pytest.mark.parametrize("seed", [5, 6])
def test_a_vector_out_of_a_swapped_chip_is_told_by_what_the_other_socket_gives(seed):
    """What is written in the RAM's place does not come back: the ROM sits there."""
    first, *_ = diagnose(undumped("swapped:U4+U5", seed=seed, cycles=120)).suspects
    assert members(first) == {"swapped:U4+U5"}


@pytest.mark.parametrize("fault", ["always:U6", "silent:U5"])
def test_a_cpu_that_leaves_an_unsteady_vector_is_not_the_first_to_blame(fault):
    """Two chips drive the vector, or none does: clip and CPU may take such levels differently."""
    seen = observe(undumped(cycles=600))
    finding = Finding(
        rule="vector-not-taken",
        severity="fault",
        cycles=tuple(range(7, 10)),
        opportunities=1,
        count=1,
        measured="",
        expected="",
        text="",
    )
    board = seen.evidence.reading.board
    likely = suspected(Fault.parse(fault), 0.6, (), board)
    (alone,) = leaves_the_vector(seen, [finding], set(), [])
    (beside,) = leaves_the_vector(seen, [finding], set(), [likely])
    assert beside.probability == pytest.approx(0.4 * alone.probability)


@pytest.mark.parametrize("fault", ["stuck:A7=0@bus", "stuck:A8=1@bus", "stuck:A12=1@bus"])
def test_an_address_line_is_no_mere_clip_where_the_program_lost_its_way(fault):
    """Any bytes may come from either, but what only the probe sees sends the CPU nowhere."""
    diagnosis = diagnose(undumped(fault, seed=1, cycles=2000))
    first, second, *_ = diagnosis.suspects
    assert members(first) == {fault, fault.replace("@bus", "@cpu")}
    clip = f"clip:{fault[6:].partition('=')[0]}"
    assert members(second) == {clip}
    assert second.probability < 0.2 * first.probability
    assert any("lost its way" in against for against in second.against)


def test_a_clip_stays_one_where_the_program_runs_on():
    assert "clip:A7" in first_class(diagnose(undumped("clip:A7", cycles=2000)))


def test_a_jam_that_nobody_saw_leaves_the_rom_that_the_program_came_from():
    """The last bytes before it are not to be believed, and nothing else is wrong."""
    reading = undumped("content:U5", seed=3, cycles=3000)
    jam = reading.program.jam_at
    capture = reading.capture
    for line in DATA_PINS[:7]:
        capture = redrawn(capture, line, at_cycles(reading, range(jam - 8, jam + 1)), None)
    diagnosis = diagnose(read_boot(capture, reading.board))
    assert rules(diagnosis.findings, "fault") == {"jam-out-of-view"}
    assert first_class(diagnosis) == {"content:U5"}
    assert diagnosis.suspects[0].probability == NOTHING_ELSE


def test_of_a_jam_alone_the_rom_is_no_more_than_a_place_to_begin():
    """Where no instruction was seen, nothing tells the ROM's bytes from a chip in its socket."""
    jam = undumped("content:U5", seed=3, cycles=3000).program.jam_at
    reading = undumped("content:U5", seed=3, cycles=3000, start_cycle=jam + 100)
    diagnosis = diagnose(reading)
    assert rules(diagnosis.findings, "fault") == {"jam-out-of-view"}
    (rom,) = diagnosis.suspects
    assert members(rom) == {"content:U5", "silent:U5", "swapped:U4+U5"}
    assert rom.probability == NOTHING_ELSE * NO_CHANCE < LIKELY


@pytest.mark.parametrize(("line", "other"), [("D3", "D2"), ("D0", "D1")])
def test_two_data_clips_that_are_exchanged_are_found_by_the_program(line, other):
    """With each in the other's place it runs on."""
    reading = undumped(planted(f"clip:{line}", "exchanged"), cycles=2000)
    assert set(reading.program.clips_off) == {line, other}
    assert any("exchanged" in note.text for note in reading.program.notes)
    diagnosis = diagnose(reading)
    assert not rules(diagnosis.findings, "fault")
    assert {str(s.fault) for s in diagnosis.suspects} == {f"clip:{line}", f"clip:{other}"}


def seldom_high(code):
    """A program of which D4 is high in one byte of twenty, now and then at each address."""
    drawn = np.random.default_rng(1)
    code.label("again")
    for place in range(300):
        code.op("LDA", "imm", int(drawn.integers(256)) & (0xEF if place % 3 else 0xFF))
        code.op("STA", "zp", int(drawn.integers(8)) | 8)
        if place % 4 == 0:
            code.op("LDA", "zp", int(drawn.integers(8)) | 8)
    code.op("JMP", "jump", "again")


@pytest.mark.parametrize(
    ("fault", "variant"),
    [("plane:U4.1", "low"), ("plane:U4.7", "low"), ("open:D1@U4", "plain")],
)
def test_a_programs_style_is_no_fault_of_its_rom(tmp_path, fault, variant):
    """D4 comes where it came before: the RAM is at fault, of which less is seen."""
    board = programmed(tmp_path, seldom_high)
    record = run(planted(fault, variant), board=board, cycles=6000)
    blank = replace(board, chips=tuple(replace(chip, images=()) for chip in board.chips))
    assert diagnose(read(record, board=blank)).suspects[0].fault == Fault.parse(fault)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_weak_chip_of_a_bank_is_weak_on_its_own_line(seed):
    """Each chip of the bank gives one line: the others drive theirs in the same reads."""
    board = load_board(REPOSITORY / "fixtures" / "departure_board" / "board.toml")
    reading = read(run(planted("plane:U25.5", "weak"), board=board, seed=seed, cycles=3000))
    assert first_class(diagnose(reading)) == {"plane:U25.5"}


@pytest.mark.parametrize("line", ["A9", "A12"])
def test_two_address_clips_that_are_exchanged_show_each_others_level(line):
    """No joint does so, though each alone may look as if it rested at one level."""
    diagnosis = diagnose(undumped(planted(f"clip:{line}", "exchanged"), cycles=1500))
    assert not rules(diagnosis.findings, "fault")
    lines = {"A9": ("A8", "A9"), "A12": ("A12", "A13")}[line]
    told = {f.lines[0]: f.text for f in diagnosis.findings if f.rule == "clip-off"}
    assert set(told) == set(lines)
    assert all("exchanged" in text for text in told.values())
    assert {str(s.fault) for s in diagnosis.suspects} == {f"clip:{name}" for name in lines}


@pytest.mark.parametrize("seed", [3, 4])
def test_a_select_is_no_mere_clip_where_the_program_lost_its_way(seed):
    """RAM that is seen selected along with the ROM, and a ROM that gives no program."""
    diagnosis = diagnose(undumped(planted("doubled:U5+U4", "high"), seed=seed, cycles=2000))
    first, second, *_ = diagnosis.suspects
    assert (str(first.fault), str(second.fault)) == ("doubled:U5+U4", "clip:CS_U4")
    assert second.probability < 0.2 * first.probability


@pytest.mark.parametrize(
    ("rule", "line", "told", "stays"),
    [
        ("program-nonsense", "A7", None, False),
        ("runs-nowhere", "A7", None, True),
        ("runs-empty", "SYNC", None, True),
        ("program-nonsense", "A7", "content:U5", True),
    ],
)
def test_an_address_clip_alone_sends_no_program_astray(rule, line, told, stays):
    """What lost its way read something else; unless another suspect tells what."""
    board = undumped(cycles=120).board
    lost = Finding(
        rule=rule, severity="fault", opportunities=1, count=1, measured="", expected="", text=""
    )
    clip = suspected(Fault("clip", (line,)), 0.9, ("clip-off",), board)
    others = [] if told is None else [suspected(Fault.parse(told), 0.5, (rule,), board)]
    found = more_than_a_clip([lost], [clip, *others], board)
    left = next(s for s in found if s.fault == clip.fault).probability
    assert left == pytest.approx(0.9 if stays else 0.9 * AND_ASTRAY)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_port_that_breaks_its_sheet_is_no_bus_that_nobody_drives(seed):
    """Its wrong bytes are unlike a sound chip's, which does not make them an undriven bus's."""
    board = load_board(REPOSITORY / "fixtures" / "kiln_control" / "board.toml")
    record = run(planted("register:U3_IO", "deaf"), board=board, seed=seed, cycles=3000)
    chips = tuple(replace(chip, images=()) for chip in board.chips)
    diagnosis = diagnose(read(record, board=replace(board, chips=chips), seed=seed))
    assert "poll-unanswered" not in rules(diagnosis.findings)
    assert "register:U3_IO" in first_class(diagnosis)


@pytest.mark.parametrize("line", ["D1", "D2"])
def test_a_data_clip_on_its_neighbours_pin_is_found_though_the_program_is_lost(line):
    """The CPU goes by other bytes than the clips show; joined lines it would go by."""
    reading = undumped(planted(f"clip:{line}", "copies"), cycles=3000)
    assert reading.program.lost_at is not None
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "cannot conclude"
    (clip,) = diagnosis.suspects
    assert f"clip:{line}" in members(clip)
    assert len(members(clip)) == 2
    joined = diagnose(undumped(planted("short:D4+D5@bus", "low"), cycles=3000))
    assert "clip-off" not in rules(joined.findings)


def test_lines_that_rest_share_what_each_would_have_beside_one_likely_cause():
    """A bus that nobody drives rests on many lines."""
    board = undumped(cycles=120).board
    lines = [suspected(Fault.parse(f"stuck:D{bit}=1@bus"), 0.6, (), board) for bit in (1, 4)]
    cause = suspected(Fault.parse("shared:U2"), LIKELY, (), board)
    assert [s.probability for s in beside_one_cause(lines, [cause])] == [0.3, 0.3]
    assert beside_one_cause(lines, []) == lines
    assert beside_one_cause(lines[:1], [cause]) == lines[:1]
