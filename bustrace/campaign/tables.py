"""The tables of a campaign, as Markdown that reads well as it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import ceil
from statistics import fmean, median

from bustrace.campaign.cases import LENGTHS, LINE_SETS
from bustrace.campaign.playing import Result
from bustrace.faults import FAMILIES, Fault

SURE = 0.9
"""Probability from which on an answer counts as said with confidence."""

_DIFFERING = ((1, 9), (10, 99), (100, 999), (1_000, None))
_SAME = ("right", "as_good", "named", "in_three", "place", "missed")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: visible cases of a kind, how many were what, and how many were left out.

    Attributes
    ----------
    name : str
    visible, invisible, failed : int
        Cases scored; cases whose capture does not differ; cases that ended in an error.
    right, as_good, named, in_three, place, missed : int
        Of the visible ones; see `bustrace.campaign.scoring.Score`.
    size_median : float or None
    size_90 : int or None
        Of the first classes, where anything was named.
    """

    name: str
    visible: int
    invisible: int
    failed: int
    right: int
    as_good: int
    named: int
    in_three: int
    place: int
    missed: int
    size_median: float | None
    size_90: int | None


def row_of(name: str, results: Iterable[Result]) -> Row:
    """Sum up results of planted cases."""
    results = list(results)
    scored = [r for r in results if "right" in r]
    sizes = sorted(r["size"] for r in scored if r["size"])
    return Row(
        name,
        len(scored),
        sum(r.get("differing") == 0 for r in results),
        sum("error" in r for r in results),
        **{what: sum(r[what] for r in scored) for what in _SAME},
        size_median=median(sizes) if sizes else None,
        size_90=sizes[ceil(0.9 * len(sizes)) - 1] if sizes else None,
    )


def rows_by(
    results: Sequence[Result], names: Iterable[tuple[str, Callable[[Result], bool]]]
) -> list[Row]:
    """One row for each name, of the results that its test takes; empty ones are left out."""
    rows = [row_of(name, filter(test, results)) for name, test in names]
    return [row for row in rows if row.visible or row.invisible or row.failed]


def family_rows(results: Sequence[Result]) -> list[Row]:
    """A row for each family, in the vocabulary's order, and one for all."""
    singles = [r for r in results if len(_truth(r)) == 1]
    tests = [(family, _is_family(family)) for family in FAMILIES]
    return [*rows_by(singles, tests), row_of("all", singles)]


def split_rows(results: Sequence[Result]) -> list[Row]:
    """Rows of single faults by what the capture was like, and of the boots with two faults."""
    singles = [r for r in results if len(_truth(r)) == 1]
    tests: list[tuple[str, Callable[[Result], bool]]] = [
        ("without nuisances", lambda r: not r["nuisances"]),
        ("with nuisances", lambda r: r["nuisances"]),
        ("begins before the reset's end", lambda r: not r.get("start")),
        ("begins later", lambda r: bool(r.get("start"))),
        ("ROM image known", lambda r: r["rom_known"]),
        ("no ROM image", lambda r: not r["rom_known"]),
        ("acts always", lambda r: r.get("lasting", True)),
        ("comes and goes", lambda r: not r.get("lasting", True)),
    ]
    tests.append(("32 lines or more, and ROM", _well_seen))
    tests += [(f"{name} lines", _has("line_set", name)) for name in LINE_SETS]
    tests += [(f"{count:,} cycles", _has("cycles", count)) for count in LENGTHS]
    tests += [(_span(*span) + " cycles differ", _differs(*span)) for span in _DIFFERING]
    boards = dict.fromkeys(_board(r) for r in results)
    tests += [(board, _on_board(board)) for board in sorted(boards)]
    pairs = [r for r in results if len(_truth(r)) == 2]
    return [*rows_by(singles, tests), *rows_by(pairs, [("two faults", lambda r: True)])]


def worst_families(results: Sequence[Result], count: int = 5, least: int = 5) -> list[Row]:
    """Families that are least often right, the worst first, of those with enough cases."""
    rows = [row for row in family_rows(results)[:-1] if row.visible >= least]
    return sorted(rows, key=lambda row: row.right / row.visible)[:count]


def report_lines(results: Sequence[Result]) -> Iterator[str]:
    """All tables, line by line."""
    planted = [r for r in results if r["kind"] == "planted"]
    yield "## Single faults, by family"
    yield ""
    yield from table_lines("family", family_rows(planted))
    yield ""
    yield "## By capture, board and number of faults"
    yield ""
    yield from table_lines("cases", split_rows(planted))
    yield ""
    yield "## How far a probability can be believed"
    yield ""
    yield _calibration(planted)
    yield ""
    yield "## Until repaired"
    yield ""
    yield from _bench(planted)
    yield ""
    yield "## Healthy boots"
    yield ""
    yield from _healthy([r for r in results if r["kind"] == "healthy"])
    failed = [r for r in results if "error" in r]
    if failed:
        yield ""
        yield "## Ended in an error"
        yield ""
        yield from (f"- {r['kind']} {r['case']}, {r['planted']}: {r['error']}" for r in failed)


def table_lines(first: str, rows: Iterable[Row]) -> Iterator[str]:
    """Rows as a Markdown table."""
    heads = (first, "visible", "right", "as good", "named", "in three", "place", "missed")
    yield "| " + " | ".join((*heads, "class: median", "90 %", "invisible")) + " |"
    yield "|---|" + "--:|" * 10
    for row in rows:
        shares = [_share(getattr(row, what), row.visible) for what in _SAME]
        middle = "" if row.size_median is None else f"{row.size_median:g}"
        most = "" if row.size_90 is None else str(row.size_90)
        cells = [row.name, str(row.visible), *shares, middle, most, str(row.invisible)]
        yield "| " + " | ".join(cells) + " |"


def _calibration(planted: Sequence[Result]) -> str:
    said = [r for r in planted if (r.get("probability") or 0.0) >= SURE]
    if not said:
        return f"No answer was said with {SURE:.0%} or more."
    held = [sum(any(f in r["answer"][0] for f in r["truth"]) for r in said)]
    held.append(sum(r["as_good"] for r in said))
    return (
        f"Of {len(said)} answers said with {SURE:.0%} or more, {held[0]}"
        f" ({held[0] / len(said):.0%}) name a planted fault in the first class, and {held[1]}"
        f" ({held[1] / len(said):.0%}) it or one that gives the same capture."
    )


def _bench(planted: Sequence[Result]) -> Iterator[str]:
    worked = [r for r in planted if "advised" in r]
    if not worked:
        yield "No single fault was visible."
        return
    yield "| single faults | pulls, mean | captures | probes | all, mean | median |"
    yield "|---|--:|--:|--:|--:|--:|"
    for name, key in (("as advised", "advised"), ("easiest first", "easiest")):
        means = [fmean(r[key][place] for r in worked) for place in range(3)]
        totals = [sum(r[key]) for r in worked]
        shown = " | ".join(f"{mean:.1f}" for mean in (*means, fmean(totals)))
        yield f"| {name} | {shown} | {median(totals):g} |"


def _healthy(healthy: Sequence[Result]) -> Iterator[str]:
    alarmed = [r for r in healthy if r.get("alarms")]
    yield f"{len(healthy)} healthy boots, {len(alarmed)} with a false alarm."
    for r in alarmed:
        yield f"- healthy case {r['case']}, {r['board']}: {'; '.join(r['alarms'])}"


def _truth(result: Result) -> list[str]:
    return list(result.get("truth") or result["planted"])


def _board(result: Result) -> str:
    return "made-up boards" if result["board"].startswith("made-up") else str(result["board"])


def _is_family(family: str) -> Callable[[Result], bool]:
    return lambda result: Fault.parse(_truth(result)[0]).family == family


def _well_seen(result: Result) -> bool:
    return bool(result["rom_known"]) and result["line_set"] in ("all", "32")


def _on_board(board: str) -> Callable[[Result], bool]:
    return lambda result: _board(result) == board


def _has(key: str, value: object) -> Callable[[Result], bool]:
    return lambda result: bool(result[key] == value)


def _differs(least: int, most: int | None) -> Callable[[Result], bool]:
    return lambda r: least <= r.get("differing", 0) and (most is None or r["differing"] <= most)


def _span(least: int, most: int | None) -> str:
    return f"{least:,} or more" if most is None else f"{least:,} to {most:,}"


def _share(count: int, of: int) -> str:
    return f"{100 * count / of:.0f} %" if of else ""
