"""What the lines above a table say: sample rate or period, number of samples, our own marks."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from bustrace.capture.model import Mode
from bustrace.capture.sample_rate import stated_rate
from bustrace.units import PS_PER_SECOND

OWN_MARK = "bustrace capture, format 1"

_TIME_UNITS = {
    name: power
    for power, names in {
        12: ("s", "sec", "secs", "second", "seconds"),
        9: ("ms", "msec", "millisecond", "milliseconds"),
        6: ("us", "µs", "μs", "usec", "microsecond", "microseconds"),
        3: ("ns", "nsec", "nanosecond", "nanoseconds"),
        0: ("ps", "psec", "picosecond", "picoseconds"),
    }.items()
    for name in names
}
_UNIT_NAMES = {12: "s", 9: "ms", 6: "us", 3: "ns", 0: "ps"}
_KEY_RATE = re.compile(r"(sampl\w*[ _-]*(rate|freq\w*|clock)|^rate|^samplerate)", re.IGNORECASE)
_KEY_PERIOD = re.compile(
    r"(sampl\w*[ _-]*(period|interval|time|step)|^(period|interval|resolution|time ?step"
    r"|x ?increment|delta ?t|dt)\b)",
    re.IGNORECASE,
)
_KEY_SAMPLES = re.compile(
    r"(samples|sample[ _]count|number of samples|record length|points|rows)", re.IGNORECASE
)
_KEY_UNIT = re.compile(r"(time ?unit|unit of time|time ?base)s?", re.IGNORECASE)
_FIELD = re.compile(r"\s*([A-Za-z][^:=,;\t|]*?)\s*[:=,;\t|]\s*(.*?)[\s,;]*$")
_VALUE = re.compile(r"([+-]?\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ/]*)")
_PREFIXES = {"": 0, "k": 3, "m": 6, "g": 9}


def time_unit(text: str) -> str | None:
    """Usual name of a time unit (``s ms us ns ps``), or None when `text` is none."""
    power = _TIME_UNITS.get(text.strip().lower())
    return None if power is None else _UNIT_NAMES[power]


def unit_power(unit: str) -> int:
    """Power of ten from a time unit to picoseconds."""
    return _TIME_UNITS[unit]


@dataclass(frozen=True, slots=True)
class Own:
    """What `write_csv` says of the capture in the lines above the table."""

    mode: Mode
    rate: Fraction | None
    end_ps: int
    rows: int
    gaps: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Preamble:
    """What the lines above a table say.

    Attributes
    ----------
    rate : Fraction or None
        Samples a second, as stated.
    slowest, fastest : Fraction or None
        Between which the rate lies, given that a period was rounded; both are `rate` when the
        rate itself was stated.
    samples : int or None
        Number of samples promised.
    unit : str or None
        Time unit.
    own : Own or None
    """

    rate: Fraction | None = None
    slowest: Fraction | None = None
    fastest: Fraction | None = None
    samples: int | None = None
    unit: str | None = None
    own: Own | None = None


def read_preamble(remarks: Iterable[str]) -> Preamble:
    """Read what can be used from the lines above a table."""
    texts = [remark.lstrip("#;/ \t").strip().replace('"', "") for remark in remarks]
    rate = slowest = fastest = samples = unit = None
    for text in texts:
        field = _FIELD.fullmatch(text)
        if field is None:
            continue
        key, value = field[1], _VALUE.fullmatch(field[2])
        key_unit = re.search(r"[\[(]([^\])]*)[\])]", key)
        if _KEY_UNIT.fullmatch(key):
            unit = time_unit(field[2]) or unit
        elif value is None:
            continue
        elif _KEY_SAMPLES.fullmatch(key):
            samples = int(value[1]) if value[1].isdigit() else samples
        elif _KEY_RATE.search(key):
            suffix = value[2] or (key_unit[1] if key_unit else "")
            match = re.fullmatch(r"([kmg]?)(hz|s/s|sa/s|sps|samples/s)?", suffix.lower())
            number = Fraction(value[1].replace(",", "."))
            if match is not None and number > 0:
                rate = slowest = fastest = number * 10 ** _PREFIXES[match[1]]
        elif _KEY_PERIOD.search(key):
            name = time_unit(value[2] or (key_unit[1] if key_unit else "") or "s")
            number = Fraction(value[1].replace(",", "."))
            if name is not None and number > 0:
                scale = Fraction(10) ** _TIME_UNITS[name]
                half = _last_place(value[1]) / 2
                rate = PS_PER_SECOND / (number * scale)
                slowest = PS_PER_SECOND / ((number + half) * scale)
                fastest = (
                    PS_PER_SECOND / ((number - half) * scale) if number > half else slowest * 10**6
                )
    if rate is None:
        rate = slowest = fastest = stated_rate(texts)
    return Preamble(rate, slowest, fastest, samples, unit, _own(texts))


def _last_place(number: str) -> Fraction:
    """Weight of the last digit written."""
    mantissa, _, exponent = number.lower().replace(",", ".").partition("e")
    decimals = len(mantissa.partition(".")[2])
    return Fraction(10) ** (int(exponent or 0) - decimals)


def _own(texts: list[str]) -> Own | None:
    if OWN_MARK not in texts:
        return None
    fields = [text.partition(": ")[::2] for text in texts]
    known = dict(fields)
    try:
        mode = known["mode"]
        rate = None if known["rate"] == "unknown" else Fraction(known["rate"].removesuffix(" Hz"))
        gaps = [value.split() for key, value in fields if key == "gap_ps"]
        if mode not in ("timing", "state"):
            return None
        return Own(
            mode="state" if mode == "state" else "timing",
            rate=rate,
            end_ps=int(known["end_ps"]),
            rows=int(known["rows"]),
            gaps=tuple((int(start), int(end)) for start, end in gaps),
        )
    except (KeyError, ValueError, ZeroDivisionError):
        return None
