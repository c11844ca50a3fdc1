"""Two boots above each other: what is written where."""

import pytest
from drill_readings import boot
from matplotlib.figure import Figure

from bustrace.compare import compare, compare_rom
from bustrace.draw import draw_side_by_side


@pytest.fixture(scope="module")
def found():
    return compare(boot(seed=5), boot("open:A1@U4", seed=6))


def texts(figure):
    (ax,) = figure.axes
    return [text.get_text() for text in ax.texts]


def column(figure, wanted):
    """x of a text."""
    (ax,) = figure.axes
    return [text.get_position()[0] for text in ax.texts if text.get_text() == wanted]


def test_both_bytes_stand_at_the_badge(found):
    """Expected above seen, in the column of the square badge."""
    figure = draw_side_by_side(found)
    (badge,) = column(figure, "1")
    assert badge in column(figure, found.first.expected[1:])
    assert badge in column(figure, found.first.seen[1:])
    assert {"good boot", "this boot", "differs"} <= set(texts(figure))


def test_with_the_image_alone_the_upper_strip_is_what_should_be(found):
    found = compare_rom(boot("content:U5", seed=6))
    figure = draw_side_by_side(found)
    assert "should be" in texts(figure)
    (badge,) = column(figure, "1")
    assert badge in column(figure, found.first.expected[1:])


def test_a_boot_without_cycles_gives_a_picture_that_says_so():
    figure = draw_side_by_side(compare(boot(seed=5), boot("clock:absent", seed=6)))
    assert any("does not show it" in text for text in texts(figure))


def test_a_narrow_page_shows_fewer_cycles_and_still_the_badge(found):
    wide, narrow = draw_side_by_side(found), draw_side_by_side(found, width=5, print_safe=True)
    assert isinstance(narrow, Figure)
    assert len(texts(narrow)) < len(texts(wide))
    assert len(column(narrow, "1")) == 1
