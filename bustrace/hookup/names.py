"""What people call the pins of a 6502, and the pin each name means.

The forms are common practice: schematics, analyser exports and makers' sheets write the same pin
in many ways (``/RES``, ``RES_N``, ``nRES``, ``RST#``, ``RESB``).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from bustrace.hookup.model import ADDRESS_PINS, CLOCK_PINS, DATA_PINS, SELECT

CONTROL_PINS = (
    "RW",
    "SYNC",
    "RES",
    "IRQ",
    "NMI",
    "RDY",
    "SO",
    "BE",
    "AEC",
    "BA",
    "VDA",
    "VPA",
    "VPB",
    "ML",
)
"""Control pins a line can be taken for."""

PINS = (*CLOCK_PINS, *CONTROL_PINS, *ADDRESS_PINS, *DATA_PINS)
"""Every pin name but the selects'."""

Certainty = Literal["sure", "short", "vague"]

_BASES = {
    "RW": ("rw", "rnw", "rwb", "rwn", "readwrite", "readnotwrite", "rdwr", "rwout"),
    "SYNC": ("sync",),
    "RES": ("res", "rst", "reset"),
    "IRQ": ("irq", "interrupt", "interruptrequest", "int", "intreq"),
    "NMI": ("nmi", "nonmaskable", "nonmaskableinterrupt"),
    "RDY": ("rdy", "ready"),
    "SO": ("so", "setoverflow"),
    "BE": ("be", "busenable"),
    "AEC": ("aec", "addressenable", "addressenablecontrol"),
    "BA": ("ba", "busavailable"),
    "VDA": ("vda", "validdataaddress"),
    "VPA": ("vpa", "validprogramaddress"),
    "VPB": ("vp", "vpb", "vectorpull"),
    "ML": ("ml", "mlb", "memorylock"),
}
_ACTIVE_LOW = ("RES", "IRQ", "NMI", "SO", "VPB", "ML")
_CONTROL = {base: pin for pin, bases in _BASES.items() for base in bases}
_CONTROL |= {
    form: pin
    for pin in _ACTIVE_LOW
    for base in _BASES[pin]
    for form in (f"n{base}", f"{base}n", f"{base}b", f"{base}l", f"{base}bar", f"not{base}")
}
_CONTROL |= {f"cpu{form}": pin for form, pin in _CONTROL.items()}

_CLOCK: dict[str, tuple[str, Certainty]] = {}
for _digit, _pin in (("0", "PHI0"), ("1", "PHI1"), ("2", "PHI2")):
    for _stem in ("phi", "ph", "phase", "cpuphi", "bphi", "clkphi"):
        for _tail in ("", "out", "in", "o", "b"):
            _CLOCK[_stem + _digit + _tail] = (_pin, "sure")
    # A port is called P0 to P7 and a channel 00 to 15: these two count only where the other
    # names do not run on like that.
    _CLOCK["p" + _digit] = _CLOCK["o" + _digit] = (_pin, "short")
_CLOCK |= {"01": ("PHI1", "short"), "02": ("PHI2", "short")}
_CLOCK |= dict.fromkeys(
    ("clk", "clock", "cpuclk", "clkcpu", "cpuclock", "sysclk", "sysclock", "phi"), ("PHI2", "vague")
)
_CLOCK |= dict.fromkeys(("clkin", "clockin", "cpuclkin"), ("PHI0", "sure"))

_BUS = re.compile(
    r"(?P<cpu>cpu[ _.\-]*)?"
    r"(?P<stem>address|addr|adr|ab|ad|a|data|dat|db|d)"
    r"(?P<bus>[ _.\-]*(?:bus|line|bit))?"
    r"[ _.\-]*[\[(<]?\s*0*(?P<bit>\d{1,2})\s*[\])>]?"
)

_ENABLE_WORD = r"(?:cs|ce|oe|sel|select|chipselect|chipenable)"
_CHIP_WORD = r"(?:e?e?p?rom|s?d?ram|via|pia|riot|acia|uart|crtc|cia|io|disp|u\d+|ic\d+)\w*"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a name can mean.

    Attributes
    ----------
    pin : str
        Pin name, or ``select:`` and the rest of the name.
    family : str
        ``A`` or ``D`` for the one-letter bus names that analysers also give their own channels,
        else empty.
    certainty : {"sure", "short", "vague"}
        ``short``: only where nothing contradicts it. ``vague``: some clock.
    marked : bool
        Carries a sign for active low.
    output_enable : bool
        For a select: the name speaks of the output enable.
    """

    pin: str
    family: str = ""
    certainty: Certainty = "sure"
    marked: bool = False
    output_enable: bool = False


def meaning_of(name: str) -> Meaning | None:
    """What a line's name means, or None. A name with a path is also tried without it.

    Bus bits beyond the 6502's own (A16, D8) come back with that pin name, outside `PINS`.
    """
    found = _meaning(name)
    if found is None and re.search(r"[.:]", name):
        found = _meaning(re.split(r"[.:]+", name.rstrip(".:"))[-1])
    return found


def core_of(name: str) -> tuple[str, bool]:
    """The name in lower case, letters and digits only, and whether it is marked active low."""
    text = _plain(name)
    bare = text.strip("/!~\\*#- ")
    return re.sub(r"[^a-z0-9]+", "", bare), bare != text


def chip_words(name: str) -> str | None:
    """The part of a select's name that names the chip, lower case; None for other names.

    ``CS_ROM``, ``/ROM_CS``, ``nCSROM``, ``ROMSEL#`` give ``rom``; a bare ``/CE`` gives ``ce``.
    """
    text = _plain(name)
    bare = text.strip("/!~\\*#- ")
    words = [word for word in re.split(r"[^a-z0-9]+", bare) if word]
    if len(words) > 1 and words[-1] in ("n", "b", "l"):
        words.pop()
    for place, word in enumerate(words):
        if re.fullmatch(rf"n?{_ENABLE_WORD}[nb]?", word):
            rest = "_".join(words[:place] + words[place + 1 :])
            return rest if rest and not rest.isdigit() else word + rest
    joined = "".join(words)
    if match := re.fullmatch(rf"n?(?:cs|ce|sel)({_CHIP_WORD}|\d+)", joined):
        return match[1] if not match[1].isdigit() else joined.removeprefix("n")
    if match := re.fullmatch(rf"n?({_CHIP_WORD}?)(?:cs|ce|oe|sel)[nb]?", joined):
        return match[1]
    if bare != text and re.fullmatch(_CHIP_WORD, joined):
        return joined
    return None


def _meaning(name: str) -> Meaning | None:
    text = _plain(name)
    core, marked = core_of(name)
    if pin := _CONTROL.get(core):
        return Meaning(pin, marked=marked)
    if not marked and (clock := _CLOCK.get(core)):
        return Meaning(clock[0], certainty=clock[1])
    if match := _BUS.fullmatch(text):
        letter = match["stem"][0].upper()
        one_letter = match["stem"] in ("a", "d", "ad") and not match["bus"] and not match["cpu"]
        return Meaning(f"{letter}{int(match['bit'])}", family=letter if one_letter else "")
    if words := chip_words(name):
        enable = re.search(r"(?:^|[^a-z])n?oe|oe[nb]?$", text.strip("/!~\\*#- ")) is not None
        return Meaning(f"{SELECT}{words.upper()}", marked=marked, output_enable=enable)
    return None


def _plain(name: str) -> str:
    text = name.strip().casefold()
    return re.sub("[φϕø]", "phi", text).replace("phi phi", "phi")
