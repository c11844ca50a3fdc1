"""The command that compares boots: arguments in, the library called, the result printed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bustrace.cli_options import (
    CAPTURE_OPTIONS,
    FITTED_OPTIONS,
    HOOKUP_OPTIONS,
    LINES,
    board_of,
    capture_of,
    hookup_of,
    naming_clips,
    with_options,
)
from bustrace.cli_output import pictures_room, print_result, say_doubts_of, tell_of_compiling

if TYPE_CHECKING:
    from bustrace.board import Board
    from bustrace.reading import Reading


@click.command(short_help="Compare a boot with a good one, or with the ROM image alone.")
@click.argument("captures", nargs=-1, required=True, metavar="[GOOD] BAD")
@click.option(
    "--rom",
    "image_alone",
    is_flag=True,
    help="There is no good boot: compare BAD with what the board file's ROM images make of it.",
)
@click.option(
    "--board", metavar="FILE", required=True, help="Board file (TOML): what should be there."
)
@with_options(FITTED_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
@click.option("--picture", metavar="PATH", help="Draw both timelines: .png, .svg or .pdf.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def compare(
    captures: tuple[str, ...],
    image_alone: bool,
    picture: str | None,
    as_json: bool,
    everything: bool,
    **given: Any,
) -> None:
    """Compare the boot BAD with the known-good boot GOOD of the same board.

    Told is the first cycle that BAD's past and the good boot do not allow, and who
    is to blame. Other clock and sample rates, starts, rounds of polls, moments of
    interrupts and content of RAM at power-on are no divergence. With --rom the ROM
    images of the board file stand for the good boot.
    """
    wanted = 1 if image_alone else 2
    if len(captures) != wanted:
        raise click.UsageError(
            "--rom takes one capture, the boot to look at."
            if image_alone
            else "Give two captures, the good boot first; or --rom and one."
        )
    if picture is not None:
        pictures_room().check_picture_path(picture)
    from bustrace.compare import compare as compare_boots
    from bustrace.compare import compare_rom
    from bustrace.report import compare_json, compare_text

    board = board_of({**given, "rom": ()})
    tell_of_compiling()
    readings = _read_all(captures, board, given)
    found = compare_rom(readings[0]) if image_alone else compare_boots(*readings)
    for reading in readings:
        say_doubts_of(reading)
    if as_json:
        print_result([compare_json(found)])
    else:
        print_result(compare_text(found, everything=everything))
    if picture is not None:
        room = pictures_room()
        drawn = room.save_picture(room.draw_side_by_side(found), picture)
        click.echo(f"Picture: {drawn}", err=True)
    raise SystemExit(found.exit_code)


def _read_all(paths: tuple[str, ...], board: Board | None, given: dict[str, Any]) -> list[Reading]:
    """The captures, each with those clips told of that it has: exports name lines otherwise."""
    from bustrace.reading import read_boot

    told = hookup_of(given)
    captures = [capture_of({**given, "capture": path}) for path in paths]
    strange = set(told).difference(*(capture.lines for capture in captures))
    readings = []
    for capture in captures:
        mine = {line: pin for line, pin in told.items() if line in capture.lines or line in strange}
        with naming_clips(given):
            readings.append(read_boot(capture, board, mine))
    return readings
