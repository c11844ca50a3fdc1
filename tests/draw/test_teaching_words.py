"""What each teaching picture says of boards whose story is known."""

import re
from functools import cache
from itertools import pairwise

import pytest
from drill_readings import boot
from matplotlib.figure import Figure

from bustrace.draw import (
    draw_address_map,
    draw_bit_errors,
    draw_instruction,
    draw_interrupt,
    draw_line_moves,
    draw_reset,
)
from bustrace.errors import InputError

pytestmark = pytest.mark.slow


def texts(figure):
    """Every piece of text in a figure."""
    assert isinstance(figure, Figure)
    return [text.get_text() for ax in figure.axes for text in ax.texts]


def prose(figure):
    """All text in one string, so that the breaks between lines do not matter."""
    return " ".join(texts(figure))


@cache
def healthy():
    """The demo board until after its first interrupt: ROM U5, RAM U4, port U6, latch U7."""
    return boot(cycles=6500)


@cache
def wrong_rom():
    """The demo board with D1 of its ROM always 0."""
    return boot("plane:U5.1", cycles=1500)


def test_the_reset_is_seven_cycles_to_the_fetch_at_the_vector():
    """Numbers 1 to 7, stack reads without a write, vector and target as in the board's image."""
    figure = draw_reset(healthy())
    shown = texts(figure)
    for mark in ("1", "2", "3-5", "6", "7"):
        assert mark in shown
    assert {"$FFFC", "$FFFD", "$E000"} <= set(shown)
    told = prose(figure)
    assert "$00, as in the image." in told
    stack = re.search(r"by three: (\$01..), (\$01..), (\$01..)\.", told)
    assert [int(a[1:], 16) - int(b[1:], 16) for a, b in pairwise(stack.groups())] == [1, 1]
    assert "the address just read: $E000." in told
    assert "THE IMAGE HAS" not in told
    assert "HERE R/W GOES LOW" not in told


def test_wrong_vector_bytes_are_set_against_the_image():
    """D5 of the ROM always 0: $FFFD reads $C0 where the image has $E0."""
    told = prose(draw_reset(boot("plane:U5.5", cycles=400)))
    assert "THE IMAGE HAS $E0" in told


def test_a_reset_that_is_never_released_is_told(reading_of):
    """No vector, no sequence; the reason is the line's."""
    told = prose(draw_reset(reading_of(8)))
    assert "RES is low from the first cycle to the last" in told


def test_a_stuck_address_line_shows_at_the_stack_and_the_target(reading_of):
    """The bus shows $E200 where the vector's bytes say $E000."""
    told = prose(draw_reset(reading_of(400, stuck_high=0x200)))
    assert "The bytes read say $E000, the bus shows $E200" in told
    assert "differs: A9" in told


def test_an_interrupt_pushes_p_with_b_clear_and_reads_its_vector():
    """MCS6500 Hardware Manual, A.5.4: two reads of the same address, three pushes, $FFFE, $FFFF."""
    figure = draw_interrupt(healthy())
    shown = texts(figure)
    assert "B=0" in shown
    assert {"$FFFE", "$FFFF"} <= set(shown)
    assert "B is 0: from outside, no BRK." in prose(figure)
    pushed = [text for text in shown if text.startswith("$01") and len(text) == 5]
    assert len(pushed) == 3
    assert [int(a[1:], 16) - int(b[1:], 16) for a, b in pairwise(pushed)] == [1, 1]


def test_a_board_that_took_no_interrupt_says_whether_the_line_was_low():
    """Not taken is not the same as not asked for."""
    assert "no interrupt was taken; IRQ is never low" in prose(draw_interrupt(boot(cycles=600)))
    held = boot("held:IRQ=0", cycles=400)
    assert "although IRQ is low in" in prose(draw_interrupt(held))
    blind = boot(cycles=400, without=("IRQ",))
    assert "IRQ itself was not captured" in prose(draw_interrupt(blind))


def test_the_instruction_with_the_most_cycles_is_chosen():
    """A call, in a boot that begins with short ones."""
    figure = draw_instruction(wrong_rom())
    shown = texts(figure)
    heading = shown[0]
    assert heading.endswith("cycle by cycle")
    assert any("before: " in text for text in shown)
    assert "Fetch the opcode" in shown


def test_the_instruction_at_a_cycle_is_drawn(reading_of):
    """Cycle 21 is in the STA of the invented loop, whose fourth cycle writes."""
    figure = draw_instruction(reading_of(400), cycle=21)
    shown = texts(figure)
    assert shown[0] == "STA $0341 at $E003, cycle by cycle"
    assert [t for t in shown if t in "1234567"] == ["1", "2", "3", "4"]
    assert "Write" in shown


def test_a_cycle_outside_instructions_is_told(reading_of):
    """The reset is no instruction."""
    assert "belongs to no instruction, but to a row of kind RESET" in prose(
        draw_instruction(reading_of(400), cycle=9)
    )


def test_the_map_counts_what_each_chip_was_touched_for():
    """Code from the ROM alone, the latch written only, and what nobody answers."""
    shown = texts(draw_address_map(wrong_rom()))
    assert {"U4", "U5", "U6", "U7", "nobody", "code", "read", "written"} <= set(shown)
    assert "of 8,192" in " ".join(shown)
    assert "U7 (writes) again" in shown
    assert "U4 again" in shown


def test_the_map_without_a_board_file_shows_what_was_touched(reading_of):
    """Nobody is known to answer, which is said."""
    shown = texts(draw_address_map(reading_of(400)))
    assert any("nobody is known to answer" in text for text in shown)
    assert "code" in shown


def test_bit_errors_lie_in_the_panel_of_the_bit_that_is_wrong():
    """D1 of U5 is always 0: seven panels all right, one with wrong bytes, each of them low."""
    shown = texts(draw_bit_errors(wrong_rom()))
    assert shown[0] == "U5, bit by bit: what it gave"
    right = [text for text in shown if text.startswith("all ") and text.endswith(" right")]
    wrong = [text for text in shown if text.endswith(" wrong") and " of " in text[:12]]
    assert len(right) == 7
    assert len(wrong) == 1
    named = [text for text in shown if "in the chip" in text]
    assert named
    assert all(": D1 low in " in text for text in named)


def test_a_healthy_memory_is_all_right_as_far_as_it_was_read():
    """No panel shows a wrong bit, and the bytes judged are counted."""
    shown = texts(draw_bit_errors(healthy(), chip="u4"))
    assert shown[0] == "U4, bit by bit: what it gave back"
    assert sum(text.startswith("all ") for text in shown) == 8
    assert any("0 wrong" in text for text in shown)


def test_a_chip_that_cannot_be_judged_says_why():
    """A latch that is only written gives nothing to compare."""
    assert "it is no memory" in prose(draw_bit_errors(healthy(), chip="U7"))


def test_an_unknown_chip_is_an_input_error():
    """The message names those that there are."""
    with pytest.raises(InputError) as caught:
        draw_bit_errors(healthy(), chip="U44")
    assert "U4" in caught.value.advice
    assert "U5" in caught.value.expected


def test_the_sampling_point_lies_in_the_quiet_just_before_the_fall():
    """One sample before, at 24 MS/s; the address moves after the fall, RDY never."""
    figure = draw_line_moves(healthy())
    told = prose(figure)
    assert "levels taken 42 ns before the fall is seen" in told
    assert "sampled here" in told
    assert "quiet around it" in told
    sentence = next(text for text in texts(figure) if text.startswith("Address: moves +"))
    assert sentence.endswith("ns from the fall.")
    assert "never moves" in told
