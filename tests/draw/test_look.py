"""The look is safe for colour-blind eyes and in grey."""

import matplotlib as mpl
import pytest
from matplotlib.colors import to_rgb

from bustrace.draw.look import OKABE_ITO, PRINT, SCREEN, own_settings


def luminance(colour):
    """Relative luminance, as WCAG 2.1 defines it (W3C Recommendation, "relative luminance")."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one, other):
    """Contrast ratio, as WCAG 2.1 defines it: 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_on_white_is_21():
    """The measure itself: the standard's own extreme."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)


def test_colours_are_those_of_the_published_palette():
    """Okabe and Ito's values, as matplotlib ships them."""
    if "okabe_ito" not in mpl.color_sequences:
        pytest.skip("this matplotlib does not ship the palette")
    published = {
        "#{:02X}{:02X}{:02X}".format(*(round(255 * c) for c in rgb))
        for rgb in mpl.color_sequences["okabe_ito"]
    }
    assert set(OKABE_ITO.values()) <= published


@pytest.mark.parametrize("look", [SCREEN, PRINT])
def test_text_can_be_read_on_its_ground(look):
    """WCAG 2.1 asks 4.5 of text and 3 of large or bold marks."""
    for ground in (look.paper, look.card, look.shade, look.alarm):
        assert contrast(look.ink, ground) >= 7
    assert contrast(look.quiet, look.paper) >= 4.5
    assert contrast(look.card, look.write) >= 4.5
    assert contrast(look.card, look.fault) >= 3
    assert contrast(look.ink, look.oddity) >= 4.5


@pytest.mark.parametrize("look", [SCREEN, PRINT])
def test_what_colour_tells_apart_grey_tells_apart_too(look):
    """A written box against a read one, and the three badges, differ in grey as well."""
    assert contrast(look.write, look.card) >= 3
    assert contrast(look.fault, look.oddity) >= 1.4
    assert contrast(look.oddity, look.card) >= 1.5
    assert contrast(look.alarm, look.paper) >= 1.15


def test_the_printed_look_is_grey():
    """No colour at all: red, green and blue are equal."""
    for name in PRINT.__dataclass_fields__:
        red, green, blue = to_rgb(getattr(PRINT, name))
        assert red == green == blue, name


def test_a_callers_settings_neither_leak_in_nor_get_lost():
    """Own settings hold inside, the caller's come back."""
    with mpl.rc_context({"hatch.linewidth": 7.0}):
        with own_settings():
            assert mpl.rcParams["hatch.linewidth"] == 0.5
        assert mpl.rcParams["hatch.linewidth"] == 7.0
