"""Counting: shares, classes, what was left out, what was said with confidence."""

from bustrace.campaign.tables import (
    family_rows,
    report_lines,
    row_of,
    split_rows,
    table_lines,
    worst_families,
)


def result(number, truth, **told):
    given = {
        "case": number, "kind": "planted", "board": "kiln", "line_set": "24", "cycles": 5000,
        "nuisances": False, "rom_known": True, "planted": truth, "truth": truth, "differing": 50,
        "right": True, "named": True, "as_good": True, "in_three": True, "place": True,
        "missed": False, "size": 1, "probability": 0.5, "answer": [truth],
    }  # fmt: skip
    if len(truth) == 1:
        given |= {"advised": [1, 2, 0], "easiest": [3, 5, 2]}
    return given | told


def unseen(number, truth):
    given = result(number, truth, differing=0)
    return {k: v for k, v in given.items() if k not in ("right", "size", "probability", "advised")}


WRONG = {"right": False, "named": False, "as_good": False, "in_three": False, "place": False}
RESULTS = [
    *(result(number, ["silent:U4"], size=number + 1) for number in range(10)),
    result(10, ["plane:U4.3"], **WRONG, probability=0.97, answer=[["silent:U4"]]),
    result(11, ["plane:U4.3"], **WRONG, missed=True, size=0, probability=None, answer=[]),
    result(12, ["plane:U4.3"], probability=0.99, nuisances=True),
    unseen(13, ["plane:U4.3"]),
    result(14, ["silent:U4", "held:IRQ=0"]),
    {**unseen(15, ["clip:A3"]), "error": "ValueError: no", "differing": 7},
    {"case": 0, "kind": "healthy", "board": "kiln", "planted": [], "alarms": ["silent:U4"]},
    {"case": 1, "kind": "healthy", "board": "kiln", "planted": [], "alarms": []},
]
PLANTED = [r for r in RESULTS if r["kind"] == "planted"]


def test_rows_count_visible_left_out_and_failed():
    rows = {row.name: row for row in family_rows(PLANTED)}
    plane = rows["plane"]
    assert (plane.visible, plane.right, plane.missed, plane.invisible) == (3, 1, 1, 1)
    assert rows["clip"].failed == 1
    assert rows["clip"].visible == 0
    assert rows["all"].visible == 13  # single faults only
    assert list(rows) == ["clip", "silent", "plane", "all"]


def test_classes_are_told_by_median_and_ninth_decile():
    """Of the sizes 1 to 10; empty answers have no class."""
    row = row_of("x", PLANTED[:10] + PLANTED[11:12])
    assert (row.size_median, row.size_90) == (5.5, 9)


def test_rows_split_by_what_the_capture_was_like():
    rows = {row.name: row for row in split_rows(PLANTED)}
    assert (rows["with nuisances"].visible, rows["without nuisances"].visible) == (1, 12)
    assert rows["24 lines"].visible == 13
    assert "16 lines" not in rows
    assert rows["10 to 99 cycles differ"].visible == 13
    assert rows["two faults"].visible == 1
    assert rows["kiln"].visible == 13


def test_the_worst_families_come_first():
    assert [row.name for row in worst_families(PLANTED, least=3)] == ["plane", "silent"]
    assert worst_families(PLANTED, least=11) == []


def test_the_report_tells_calibration_bench_and_false_alarms():
    text = "\n".join(report_lines(RESULTS))
    assert "Of 2 answers said with 90% or more, 1 (50%) name a planted fault" in text
    assert "| as advised | 1.0 | 2.0 | 0.0 | 3.0 | 3 |" in text
    assert "| easiest first | 3.0 | 5.0 | 2.0 | 10.0 | 10 |" in text
    assert "2 healthy boots, 1 with a false alarm.\n- healthy case 0, kiln: silent:U4" in text
    assert "planted 15, ['clip:A3']: ValueError: no" in text


def test_a_report_of_nothing_is_a_report():
    text = "\n".join(report_lines([]))
    assert "0 healthy boots" in text
    assert "No single fault was visible." in text


def test_tables_are_markdown_of_one_width():
    lines = list(table_lines("family", family_rows(PLANTED)))
    assert {line.count("|") for line in lines} == {12}
