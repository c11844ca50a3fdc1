"""Two assumptions of what is wrong as one."""

from __future__ import annotations

from dataclasses import replace

from bustrace.findings import HEALTHY, Assumption


def join(first: Assumption, second: Assumption) -> Assumption | None:
    """Both assumptions at once, or None where they speak of the same thing."""
    if first == HEALTHY:
        return second
    mine, theirs = _drives_along(first), _drives_along(second)
    if mine and theirs - mine and _who_wins(first) != _who_wins(second):
        return None  # one word for who wins does for the same chips only
    changes = {}
    for name in Assumption.__dataclass_fields__:
        given, added, neutral = (getattr(a, name) for a in (first, second, HEALTHY))
        if added in (neutral, given):
            continue
        if given == neutral:
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
    return _low_wins(replace(first, **changes))


def _low_wins(joined: Assumption) -> Assumption:
    """A line that both hold, each at another level, is low: NMOS and TTL pull down harder than
    up.
    """
    highs = [name for name in Assumption.__dataclass_fields__ if name.endswith("_or")]
    held = {name: getattr(joined, name) & getattr(joined, f"{name[:-3]}_and") for name in highs}
    return replace(joined, **held)


def _drives_along(assumption: Assumption) -> set[int]:
    """Chips that it makes drive along with others."""
    always = {
        chip for chip in range(assumption.always.bit_length()) if assumption.always >> chip & 1
    }
    return {*always, assumption.doubled_by, assumption.select_on} - {-1}


def _who_wins(assumption: Assumption) -> tuple[int, int, int]:
    """Whose level a line has that two drive."""
    return assumption.fight, assumption.strong, assumption.yields
