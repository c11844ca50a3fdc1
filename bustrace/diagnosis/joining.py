"""Two assumptions of what is wrong as one."""

from __future__ import annotations

from functools import lru_cache

from bustrace.findings import HEALTHY, Assumption

_HIGHS = [name for name in Assumption._fields if name.endswith("_or")]


def join(first: Assumption, second: Assumption) -> Assumption | None:
    """Both assumptions at once, or None where they speak of the same thing."""
    if first == HEALTHY:
        return second
    mine, theirs = _drives_along(first), _drives_along(second)
    if mine and theirs - mine and _who_wins(first) != _who_wins(second):
        return None  # one word for who wins does for the same chips only
    changes = {}
    for name, added in changed(second).items():
        given = getattr(first, name)
        if added == given:
            continue
        if given == getattr(HEALTHY, name):
            changes[name] = added
        elif name.endswith("_and"):
            changes[name] = given & added
        elif name.endswith("_or") or name in (
            "silent",
            "always",
            "deaf",
            "latch_dead",
            "select_off",
        ):
            changes[name] = given | added
        else:
            return None
    return _low_wins(first._replace(**changes))


def _low_wins(joined: Assumption) -> Assumption:
    """A line that both hold, each at another level, is low: NMOS and TTL pull down harder than
    up.
    """
    changes = {}
    for name in _HIGHS:
        high, not_low = getattr(joined, name), getattr(joined, f"{name[:-3]}_and")
        if high & ~not_low:
            changes[name] = high & not_low
    return joined._replace(**changes) if changes else joined


@lru_cache(maxsize=10_000)  # each hypothesis is joined with several others
def changed(assumption: Assumption) -> dict[str, int]:
    """What is not as on a healthy board."""
    values = zip(Assumption._fields, assumption, HEALTHY, strict=True)
    return {name: value for name, value, sound in values if value != sound}


def _drives_along(assumption: Assumption) -> set[int]:
    """Chips that it makes drive along with others."""
    always = {
        chip for chip in range(assumption.always.bit_length()) if assumption.always >> chip & 1
    }
    return {*always, assumption.doubled_by, assumption.select_on} - {-1}


def _who_wins(assumption: Assumption) -> tuple[int, int, int]:
    """Whose level a line has that two drive."""
    return assumption.fight, assumption.strong, assumption.yields
