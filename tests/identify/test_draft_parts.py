"""The parts of a draft against plain walks: blocks, what came back, where an image lies."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace.board.images import image_from_bytes
from bustrace.identify.blocks import MOST_BLOCKS, aligned_blocks, dense_blocks, join, runs
from bustrace.identify.images import place_image
from bustrace.identify.memory import judge_memory
from bustrace.identify.touched import Accesses, came_back, count

ADDRESSES = st.integers(0, 0xFFFF)


def marks(*addresses):
    found = np.zeros(0x10000, dtype=np.bool_)
    found[list(addresses)] = True
    return found


def accesses(*events):
    """Events such as ``("w", 0x10, 5)``, ``("r", 0x10, 5)``; a byte of -1 is not known."""
    return Accesses(
        cycle=np.arange(len(events)),
        address=np.array([event[1] for event in events], dtype=np.int64),
        read=np.array([event[0] != "w" for event in events], dtype=np.bool_),
        fetch=np.array([event[0] == "f" for event in events], dtype=np.bool_),
        data=np.array([event[2] for event in events], dtype=np.int16),
    )


@given(
    st.lists(st.integers(0, 0x3F), max_size=8).map(set),
    st.lists(st.integers(0, 0x3F), max_size=8).map(set),
)
def test_blocks_hold_what_was_seen_and_nothing_that_was_not(inside, outside):
    """All of one set, none of the other, and no larger than their own addresses ask for."""
    outside -= inside
    found = aligned_blocks(marks(*inside), marks(*outside))
    assert found is not None
    held = {a for first, last in found for a in range(first, last + 1)}
    assert inside <= held
    assert not held & outside
    # An address stands in a block only where its aligned neighbourhood of some size has another
    # seen address, or is itself one.
    for address in held - inside:
        assert any(
            {a for a in inside if a >> bits == address >> bits}
            and not {a for a in outside if a >> bits == address >> bits}
            for bits in range(1, 7)
        )
    assert len(found) == len(join(found))


def test_the_smallest_aligned_block_is_taken():
    """$E000 to $FFFD are 8 KB; $8000 and $8001 two bytes; nothing is nothing."""
    assert aligned_blocks(marks(0xE000, 0xFFFD), marks()) == ((0xE000, 0xFFFF),)
    assert aligned_blocks(marks(0x8000, 0x8001), marks(0x8002)) == ((0x8000, 0x8001),)
    assert aligned_blocks(marks(0x0000, 0x07FF), marks(0x0400)) == ((0x0000, 0x0000), (0x07FF,) * 2)
    assert aligned_blocks(marks(), marks(5)) == ()


def test_what_is_scattered_is_no_decoding():
    """Every other address selected: no list of blocks is made of it."""
    even = marks(*range(0, 0x1000, 2))
    assert aligned_blocks(even, ~even) is None
    few = marks(*range(0, 8 * MOST_BLOCKS, 8))
    assert len(aligned_blocks(few, ~few)) == MOST_BLOCKS


@given(st.lists(ADDRESSES, max_size=20).map(set))
def test_runs_are_the_marked_addresses(some):
    assert {a for first, last in runs(marks(*some)) for a in range(first, last + 1)} == some


def test_sparse_ends_are_left_out_of_a_memory():
    """A dense page stays, a lone cell and a few registers far away do not widen it."""
    cells = marks(*range(0x40, 0x80), 0x1FF0, 0x4000, 0x5FF0, 0x5FF1)
    assert dense_blocks(((0, 0x7FFF),), cells, least=4, one_in=16) == ((0x40, 0x7F),)
    assert dense_blocks(((0, 0x7FFF),), cells, least=4, one_in=0x2000) == ((0, 0x7FFF),)


EVENTS = st.lists(
    st.tuples(st.sampled_from("rwf"), st.integers(0, 5), st.integers(-1, 2)), max_size=40
)


@given(EVENTS)
def test_what_came_back_is_as_a_plain_walk_says(events):
    """Reads against the last write of their address; unknown bytes judge nothing."""
    seen = accesses(*events)
    returned, lost = came_back(seen, seen.address)
    cells = {}
    for index, (kind, address, byte) in enumerate(events):
        if kind == "w":
            cells[address] = byte
            assert not returned[index]
            assert not lost[index]
            continue
        told = address in cells and cells[address] >= 0 and byte >= 0
        assert returned[index] == (told and cells[address] == byte)
        assert lost[index] == (told and cells[address] != byte)


@given(EVENTS)
def test_counts_are_as_a_plain_walk_says(events):
    touched = count(accesses(*events))
    for address in range(6):
        mine = [(kind, byte) for kind, where, byte in events if where == address]
        read = [byte for kind, byte in mine if kind != "w" and byte >= 0]
        assert touched.reads[address] == sum(kind != "w" for kind, _ in mine)
        assert touched.writes[address] == sum(kind == "w" for kind, _ in mine)
        assert touched.fetches[address] == sum(kind == "f" for kind, _ in mine)
        assert touched.byte[address] == (read[-1] if read else -1)
        assert touched.steady[address] == (len(set(read)) == 1)


def test_a_memory_that_repeats_is_found_smaller_than_its_addresses():
    """128 bytes under two pages: what is pushed at $01FF comes back at $00FF."""
    events = []
    for step in range(64):
        events += [("w", 0x01C0 + step, step), ("r", 0x00C0 + step, step), ("w", 0x00C0 + step, 9)]
        events += [("r", 0x01C0 + step, 9)]
    memory = judge_memory(accesses(*events))
    assert (memory.size, memory.lost, memory.repeats) == (0x100, 0, (8,))
    assert memory.returned == 128


def test_a_memory_without_repeats_keeps_all_its_addresses():
    events = [(kind, a, a & 0xFF) for a in (0, 0x40, 0x180, 0x3FF) for kind in "wr"]
    memory = judge_memory(accesses(*events))
    assert (memory.size, memory.returned, memory.addresses) == (0x400, 4, 4)
    assert memory.repeats == ()


def test_a_memory_never_read_after_a_write_is_not_judged():
    assert judge_memory(accesses(("r", 4, 1), ("r", 4, 1))) is None
    assert judge_memory(accesses(("r", 4, 1), ("w", 4, 2))) is None


@pytest.fixture
def image():
    """Two KB of bytes without a period."""
    content = np.random.default_rng(1).integers(0, 256, 0x800, dtype=np.uint8)
    return image_from_bytes(content.tobytes(), "monitor", "monitor.bin")


def _reads(image, *bases, every=7, spoil=0):
    content = image.content.astype(int)
    return accesses(
        *(
            ("r", base + at, int(content[at]) ^ spoil)
            for base in bases
            for at in range(0, len(content), every)
        )
    )


def test_an_image_is_found_where_its_bytes_were_read(image):
    """At its place, with how many addresses were asked and right."""
    seen = place_image(image, count(_reads(image, 0xF800)))
    (place,) = seen.places
    assert (place.base, place.matching, place.compared) == (0xF800, 293, 293)


def test_an_image_read_at_two_places_has_a_mirror(image):
    seen = place_image(image, count(_reads(image, 0xF800, 0xE800)))
    assert sorted(place.base for place in seen.places) == [0xE800, 0xF800]


def test_an_image_with_a_stuck_bit_is_found_and_counts_what_differs(image):
    """One data line stuck high in the reads."""
    seen = _reads(image, 0xF800)
    stuck = Accesses(seen.cycle, seen.address, seen.read, seen.fetch, seen.data | 8)
    (place,) = place_image(image, count(stuck)).places
    assert place.base == 0xF800
    assert 0 < place.matching < place.compared == 293


def test_another_image_has_no_place(image):
    """What was read is not this image's: only where it comes nearest."""
    seen = place_image(image, count(_reads(image, 0xF800, spoil=0x55)))
    assert seen.places == ()
    assert seen.nearest is not None
    assert seen.nearest.matching < 16


def test_filler_is_no_evidence():
    """A page of $FF fits everywhere the bus reads $FF."""
    filler = image_from_bytes(b"\xff" * 0x800, "blank", "blank.bin")
    seen = place_image(filler, count(accesses(*(("r", a, 0xFF) for a in range(0x8000, 0x8800)))))
    assert seen.places == ()


def test_what_was_written_is_not_asked_for_an_image(image):
    """A copy of the ROM in RAM is RAM."""
    content = image.content.astype(int)
    events = [(k, 0x2000 + at, int(content[at])) for at in range(0x800) for k in "wr"]
    assert place_image(image, count(accesses(*events))).places == ()
