"""``bustrace drill``: hand out a faulty capture to a trainee, check the answer, explain it."""

from __future__ import annotations

import secrets
import tempfile
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bustrace.cli_output import draw_picture, pictures_room, print_result, tell_of_compiling
from bustrace.errors import InputError

if TYPE_CHECKING:
    from bustrace.campaign.exercise import Checked, Difference, Exercise
    from bustrace.faults import Fault
    from bustrace.reading import Reading

_WIDTH = 80
_GRADES = {
    "right": "RIGHT",
    "same": "RIGHT AS FAR AS THIS CAPTURE TELLS",
    "place": "THE RIGHT PLACE, ANOTHER FAULT",
    "wrong": "NOT FOUND",
}


@click.group(name="drill", short_help="Practise: a faulty capture, and a check of your answer.")
def drill_commands() -> None:
    """Practise on the capture of a simulated board with a planted fault.

    \b
    bustrace drill new monday                    a folder with all that one needs
    bustrace drill check monday stuck:A9=1@bus   your answer, checked and explained
    """


@drill_commands.command(name="new", short_help="Hand out a faulty capture in a new folder.")
@click.argument("folder")
@click.option(
    "--level",
    type=click.IntRange(1, 3),
    default=1,
    help="1: one plain fault; 2: any fault, on a real bench; 3: two faults. 1 by default.",
)
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), help="The same seed, the same drill. By chance."
)
@click.option("--board", metavar="FILE", help="A board file with ROM images; else a made-up board.")
def new_drill(folder: str, level: int, seed: int | None, board: str | None) -> None:
    """Write into the new folder FOLDER the capture of a faulty board, its board file
    and its ROM image. What is wrong follows from a seed that is kept there.
    """
    from bustrace.campaign.boards import board_files
    from bustrace.campaign.exercise import BOARD_NAME, CAPTURE_NAME, draw_exercise, hand_out

    files = None if board is None else board_files(board)
    chosen = secrets.randbelow(2**31) if seed is None else seed
    exercise = draw_exercise(chosen, level, files)
    hand_out(exercise, folder, _version())
    wrong = "Two things are" if len(exercise.truth) > 1 else "One thing is"
    paths = [Path(folder) / name for name in (CAPTURE_NAME, BOARD_NAME)]
    print_result(
        f"{line}\n"
        for line in [
            f"{wrong} wrong with this board, or with the clips. {len(exercise.lines)} lines were",
            "captured at its CPU while it was switched on.",
            "",
            f"Look:    bustrace listing {paths[0]} --board {paths[1]}",
            f"Answer:  bustrace drill check {folder} FAULT",
        ]
    )


@drill_commands.command(name="check", short_help="Check an answer, and explain the fault.")
@click.argument("folder")
@click.argument("answer", nargs=-1, required=True)
@click.option("--picture", metavar="PATH", help="Draw where the fault first shows.")
def check_drill(folder: str, answer: tuple[str, ...], picture: str | None) -> None:
    """Check ANSWER, one fault or several, against what is wrong in FOLDER, and tell
    what the fault did. It gives the solution away.

    A fault is written as diagnose --json does: stuck:A9=1@bus, clip:D3, silent:U4.
    The exit code is 0 when the answer is right or this capture cannot tell it from
    the truth, else 1.
    """
    from bustrace.campaign.exercise import CAPTURE_NAME, check_answer, take_back

    faults = [_fault(text) for text in answer]
    if picture is not None:
        pictures_room().check_picture_path(picture)
    with tempfile.TemporaryDirectory() as scratch:
        exercise = take_back(folder, Path(scratch))
    checked = check_answer(exercise, faults)
    tell_of_compiling()
    reading = _reading_of(exercise, Path(folder) / CAPTURE_NAME)
    cycle = _cycle_in(reading, exercise, checked)
    print_result(f"{line}\n" for line in _told(checked, cycle))
    if picture is not None:
        draw_picture(reading, picture, around=cycle)
    raise SystemExit(0 if checked.solved else 1)


def _fault(text: str) -> Fault:
    from bustrace.faults import Fault

    try:
        return Fault.parse(text)
    except ValueError as error:
        raise InputError(
            "the answer is not the name of a fault",
            key="ANSWER",
            found=text,
            expected=str(error),
            advice="docs/drill.md lists how faults are written",
        ) from None


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("bustrace")
    except PackageNotFoundError:
        return "from its source"


def _reading_of(exercise: Exercise, path: Path) -> Reading:
    from bustrace.campaign.boards import loaded
    from bustrace.capture import open_capture
    from bustrace.reading import read_boot

    return read_boot(open_capture(path), loaded(exercise.case.files))


def _cycle_in(reading: Reading, exercise: Exercise, checked: Checked) -> int | None:
    """The first cycle in which the fault acts, as the reading counts; None where it has none.

    A recording starts within a cycle: by one or two its first may be missing.
    """
    import numpy as np

    from bustrace.campaign.seen import seen_on

    case = exercise.case
    data = [line for line in exercise.lines if line[:1] == "D" and line[1:].isdigit()]
    seen = seen_on(case.run(case.faults), data, start=case.conditions.start)
    read = reading.cycles.data
    best, missing = 0, 0
    for shift in range(3):
        length = min(len(seen) - shift, len(read))
        agree = int(np.count_nonzero(seen[shift : shift + length] == read[:length]))
        if length > 0 and agree > best:
            best, missing = agree, shift
    cycle = checked.first - missing
    return max(cycle, 0) if cycle < len(read) else (len(read) - 1 if len(read) else None)


def _told(checked: Checked, cycle: int | None) -> Iterator[str]:
    from bustrace.drill import ALWAYS
    from bustrace.report import fault_words

    for fault, grade in checked.grades:
        yield from _wrapped(f"{_GRADES[grade]}: {fault_words(fault)} ({fault})")
    told = [way for way in checked.ways if way.variant not in (None, "plain") or way.when != ALWAYS]
    for way in told:
        yield from _wrapped(f"How it shows itself: {way}")
    for fault in checked.strays:
        yield from _wrapped(f"NOT ON THIS BOARD: {fault_words(fault)} ({fault})")
    yield ""
    yield from _wrapped(
        f"{checked.differing:,} of {checked.cycles:,} cycles are not what the same boot shows"
        f" without {'the fault' if len(checked.grades) == 1 else 'the faults'}."
    )
    if cycle is None:
        yield from _wrapped("The capture shows no bus cycle at all.")
    elif checked.differences:
        meant = f"the CPU {'reads' if checked.reads else 'writes'} ${checked.address:04X}"
        yield from _wrapped(
            f"First in cycle {cycle:,}, where {meant}: {_differences(checked.differences)}."
        )
    else:
        yield from _wrapped(f"The clock ends after cycle {cycle:,}; without the fault it runs on.")


def _differences(differences: Sequence[Difference]) -> str:
    if any(one.line == "PHI2" for one in differences):
        return "the clock is not seen to run"
    shown = [
        f"{one.line} is {'high' if one.level else 'low'}, not {'high' if one.healthy else 'low'}"
        for one in differences[:6]
    ]
    more = len(differences) - len(shown)
    return ", ".join(shown) + (f", and {more} more lines differ" if more else "")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, break_long_words=False, break_on_hyphens=False)
