"""The command line: arguments in, the library called, the result printed.

Rooms are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import io
import os
import sys
import traceback
from typing import TYPE_CHECKING, Any

import click

from bustrace.cli_compare import compare
from bustrace.cli_drill import drill_commands
from bustrace.cli_options import (
    BOARD_OPTIONS,
    CAPTURE_OPTIONS,
    FITTED_OPTIONS,
    HOOKUP_OPTIONS,
    LINES,
    board_of,
    capture_of,
    hookup_of,
    names_in,
    naming_clips,
    pairs_of,
    with_options,
)
from bustrace.cli_output import (
    draw_picture,
    let_go_of,
    pictures_room,
    print_result,
    say_doubts,
    say_doubts_of,
    tell_of_compiling,
    writing,
)
from bustrace.errors import BustraceError, InputError

if TYPE_CHECKING:
    from bustrace.reading import Reading

_CANNOT_CONCLUDE, _OWN_MISTAKE, _INTERRUPTED, _PIPE_CLOSED = 3, 70, 130, 141
_PICTURES: dict[str, tuple[str, ...]] = {
    "timeline": ("first", "last", "around", "lines"),
    "bus-cycle": ("around",),
    "instruction": ("around",),
    "reset": (),
    "interrupt": ("around",),
    "address-map": (),
    "boot": ("first", "last"),
    "line-moves": (),
    "margins": (),
    "bit-errors": ("chip",),
}
"""Kinds of picture, and the options that go with each."""
_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


class _Unusable(click.ClickException):
    """Input that cannot be used: one message, exit code 2."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        click.echo(f"bustrace: {self.message}", err=True)


class _Commands(click.Group):
    """The group of commands; what the user can mend is told in one message."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BustraceError as error:
            raise _Unusable(str(error)) from None


def _version(ctx: click.Context, param: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        number = version("bustrace")
    except PackageNotFoundError:
        number = "(run from its source, not installed)"
    click.echo(f"bustrace {number}")
    ctx.exit()


@click.group(cls=_Commands, context_settings=_CONTEXT)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_version,
    help="Show the version and exit.",
)
def cli() -> None:
    """Tell from a logic analyser's export what is wrong with a 6502 board.

    \b
    Start with:   bustrace look boot.vcd
    then:         bustrace diagnose boot.vcd --board board.toml

    The result goes to stdout, progress and doubts to stderr. Exit codes: 0 no
    fault seen, 1 fault, 2 unusable input, 3 cannot conclude.
    """


@cli.command(short_help="Say what is wrong, why, and what to do next.")
@click.argument("capture")
@with_options(BOARD_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
@click.option(
    "--again",
    metavar="CAPTURE",
    help="Another capture of the board in the same condition: what differs is told.",
)
@click.option(
    "--good",
    metavar="CAPTURE",
    help="A boot of a working board of the kind: evidence for and against the suspects.",
)
@click.option("--picture", metavar="PATH", help="Write the timeline too: .png, .svg or .pdf.")
@click.option("--json", "as_json", is_flag=True, help="Print the verdict as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def diagnose(
    again: str | None,
    good: str | None,
    picture: str | None,
    as_json: bool,
    everything: bool,
    **given: Any,
) -> None:
    """Say what is wrong, why, and what to do next.

    Without --board only the CPU side is judged; with --rom also the ROM.
    """
    import bustrace

    if picture is not None:
        pictures_room().check_picture_path(picture)
    reading = _read(given)
    second = None
    if again is not None:
        second = bustrace.read_boot(
            capture_of({**given, "capture": again}), reading.board, hookup_of(given)
        )
    working = _working_boot(good, reading, given) if good is not None else None
    verdict = bustrace.diagnose(reading, second, working)
    from bustrace.report import diagnosis_json, diagnosis_text

    if as_json:
        say_doubts_of(reading)
        print_result([diagnosis_json(verdict, reading)])
    else:
        print_result(diagnosis_text(verdict, reading, everything=everything))
    if picture is not None:
        draw_picture(reading, picture, diagnosis=verdict)
    raise SystemExit(verdict.exit_code)


def _working_boot(path: str, reading: Reading, given: dict[str, Any]) -> Reading:
    """The good boot; of the clips that were told, those count that its export has."""
    import bustrace

    capture = capture_of({**given, "capture": path})
    told = {line: pin for line, pin in hookup_of(given).items() if line in capture.lines}
    return bustrace.read_boot(capture, reading.board, told)


cli.add_command(compare)


@cli.command(short_help="Say what is in a capture: lines, rate, clock, reset, doubts.")
@click.argument("capture")
@with_options(BOARD_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
@click.option("--timing", is_flag=True, help="Setup and hold too, beside the maker's limits.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def look(timing: bool, everything: bool, **given: Any) -> None:
    """Say what is in CAPTURE: its lines and what each was taken for, its rate and
    depth, the clock, whether reset is in view, doubts and questions.

    Nothing is judged, and no board file is needed; with one, the board's own names
    of chip selects are known.
    """
    from bustrace.board import unknown_board
    from bustrace.cycles import find_cycles
    from bustrace.hookup import identify_hookup
    from bustrace.report import look_text

    board = board_of(given) or unknown_board()
    told = hookup_of(given)
    tell_of_compiling()
    capture = capture_of(given)
    with naming_clips(given):
        hookup = identify_hookup(capture, board, told)
    cycles = find_cycles(capture, hookup, board)
    timed_for = board if timing else None
    print_result(look_text(capture, hookup, cycles, timed_for=timed_for, everything=everything))


@cli.command(short_help="Print the program, its bus cycles, or the story of the boot.")
@click.argument("capture")
@with_options(BOARD_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
@click.option("--phases", is_flag=True, help="What the boot did, in words, and a summary.")
@click.option("--cycles", is_flag=True, help="One line a bus cycle, instructions beside it.")
@click.option("--from", "begin", metavar="PLACE", help="Begin at a cycle, time, address or name.")
@click.option("--to", "end", metavar="PLACE", help="End there, included.")
@click.option("--symbols", metavar="FILE", help="Names of addresses: lines like main = $E0A3.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def listing(
    phases: bool,
    cycles: bool,
    begin: str | None,
    end: str | None,
    symbols: str | None,
    everything: bool,
    **given: Any,
) -> None:
    """Print the instructions that CAPTURE shows, one a line, with the registers before
    each and what it read or wrote. Loops are folded.

    A PLACE is a cycle (1200), a time (3.2ms), an address ($E0A3: the first time that
    it is executed) or a name from --symbols.
    """
    from bustrace.cli_listing import listed
    from bustrace.program.symbols import load_symbols
    from bustrace.report import why_nothing

    if phases and cycles:
        raise click.UsageError("Give either --phases or --cycles.")
    names = load_symbols(symbols) if symbols is not None else None
    reading = _read(given)
    if not len(reading.program):
        click.echo(f"Nothing to list: {why_nothing(reading)}.", err=True)
        raise SystemExit(_CANNOT_CONCLUDE)
    say_doubts_of(reading)
    form = "phases" if phases else "cycles" if cycles else "instructions"
    print_result(
        listed(reading, form=form, begin=begin, end=end, symbols=names, everything=everything)
    )


@cli.command(short_help="Draw the timeline of a capture, or a picture that teaches.")
@click.argument("capture")
@click.option("-o", "--output", required=True, metavar="PATH", help="Where to: .png, .svg or .pdf.")
@with_options(BOARD_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@click.option(
    "--kind",
    type=click.Choice(list(_PICTURES)),
    default="timeline",
    help="What to draw; the timeline by default.",
)
@click.option("--first", type=click.IntRange(min=0), help="First cycle to draw.")
@click.option("--last", type=click.IntRange(min=0), help="Last cycle to draw.")
@click.option("--around", type=click.IntRange(min=0), help="Draw around this cycle.")
@click.option("--chip", metavar="REF", help="The memory whose bits are drawn, with bit-errors.")
@click.option(
    "--lines",
    metavar="NAME,NAME,...",
    help="Lanes to draw, in order: program, address, data, a pin, a chip, or a line of the file.",
)
@click.option(
    "--file-lines",
    metavar="NAME,NAME,...",
    help="Read only these lines and buses of the file; needed above 64 lines.",
)
@click.option("--title", help="Heading of the picture.")
@click.option(
    "--width", type=click.FloatRange(min=4, max=60), default=11.0, help="Inches; 11 by default."
)
@click.option("--grey", is_flag=True, help="Greys on white, to spare ink.")
def draw(
    output: str,
    kind: str,
    first: int | None,
    last: int | None,
    around: int | None,
    chip: str | None,
    lines: str | None,
    file_lines: str | None,
    title: str | None,
    width: float,
    grey: bool,
    **given: Any,
) -> None:
    """Draw the timeline of CAPTURE, with findings and the derail marked in place.

    By default it shows where the program leaves its path, or else the reset
    vector's fetch. --kind draws another picture: a bus cycle against the maker's
    sheet, an instruction, the reset, an interrupt, the address map, the boot,
    when lines move, setup and hold against the maker's limits, or the wrong bits of
    a memory.
    """
    import bustrace

    asked = {"first": first, "last": last, "around": around, "chip": chip, "lines": lines}
    for name, value in asked.items():
        if value is not None and name not in _PICTURES[kind]:
            raise click.UsageError(f"--{name} does not go with --kind {kind}.")
    if around is not None and (first is not None or last is not None):
        raise click.UsageError("Give either --around, or --first and --last.")
    _in_order(first, last)
    pictures_room().check_picture_path(output)
    try:
        reading = _read({**given, "lines": file_lines})
    except InputError as error:
        raise _in_drawing(error) from None
    _within(reading, first=first, around=around)
    say_doubts_of(reading)
    how: dict[str, Any] = {name: asked[name] for name in _PICTURES[kind]}
    if kind == "timeline":
        how["lines"] = names_in(lines)
    elif "around" in how:
        how["cycle"] = how.pop("around")
    if kind in ("timeline", "boot"):
        how["diagnosis"] = bustrace.diagnose(reading)
    draw_picture(reading, output, kind, title=title, width=width, print_safe=grey, **how)


@cli.command(short_help="Write a capture as VCD, as CSV, or as a table of its bus cycles.")
@click.argument("capture")
@click.option("-o", "--output", required=True, metavar="PATH", help="Where to.")
@click.option(
    "--to",
    type=click.Choice(["vcd", "csv", "state"]),
    help="VCD, CSV, or a table with one row a bus cycle; by default PATH's .vcd or .csv tells.",
)
@with_options(BOARD_OPTIONS, HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
def convert(output: str, to: str | None, **given: Any) -> None:
    """Write CAPTURE as VCD, as CSV, or as a table of its bus cycles.

    VCD and CSV hold every level and time, exactly, and read back to the same
    capture. The options about clips and board serve --to state.
    """
    from bustrace.board import unknown_board
    from bustrace.capture import write_csv, write_vcd
    from bustrace.cycles import find_cycles, write_state_table
    from bustrace.hookup import identify_hookup

    to = _target(output, to, given)
    board, told = board_of(given), hookup_of(given)
    tell_of_compiling()
    capture = capture_of(given)
    if to != "state":
        say_doubts(capture)
        what = "transitions" if capture.mode == "timing" else "rows"
        rows = f"{len(capture):,} {what} of {len(capture.lines)} lines"
        with writing(output):
            (write_vcd if to == "vcd" else write_csv)(capture, output)
    else:
        with naming_clips(given):
            hookup = identify_hookup(capture, board or unknown_board(), told)
        cycles = find_cycles(capture, hookup, board)
        say_doubts(capture, hookup, cycles)
        if cycles.reason is not None:
            raise InputError(f"it shows no bus cycles: {cycles.reason}", path=given["capture"])
        rows = f"{len(cycles):,} bus cycles"
        with writing(output):
            write_state_table(cycles, output, board=board)
    click.echo(f"Written: {output}, {rows}", err=True)


class _BoardCommands(click.Group):
    """``board FILE`` shows a map; other words than a command's name are such a file."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args or args[0] not in (*self.commands, *ctx.help_option_names):
            args = ["show", *args]
        return super().parse_args(ctx, args)


@cli.group(name="board", cls=_BoardCommands, short_help="Show a board file's map, or draft one.")
def board_commands() -> None:
    """Show the address map of a board file, or draft a board file from a capture.

    \b
    bustrace board board.toml                     the map; the same as board show
    bustrace board draft boot.vcd -o board.toml   a draft
    """


@board_commands.command(name="show", short_help="Show the address map of a board file.")
@click.argument("board")
@with_options(FITTED_OPTIONS)
def board_map(board: str, without: tuple[str, ...], fit: tuple[str, ...]) -> None:
    """Show who answers at each of the 65,536 addresses of the board file BOARD:
    gaps, doubled drivers, mirrors, and who holds the vectors.
    """
    from bustrace.board import load_board
    from bustrace.report import board_text

    fitted = dict(pairs_of(fit, "--fit", "REF=FILE"))
    print_result(board_text(load_board(board, without=without, fit=fitted)))


@board_commands.command(short_help="Draft a board file from a capture.")
@click.argument("capture")
@click.option("-o", "--output", metavar="PATH", help="Where to; by default to stdout.")
@click.option(
    "--rom",
    multiple=True,
    metavar="FILE",
    help="A ROM image; where it lies is found by the bytes that were read. Repeatable.",
)
@with_options(HOOKUP_OPTIONS, CAPTURE_OPTIONS)
@LINES
def draft(output: str | None, rom: tuple[str, ...], **given: Any) -> None:
    """Write a draft of a board file: what CAPTURE shows of its board, with the
    evidence as comments.

    Where each captured select falls, where the bytes read are an image's, where
    what was written comes back, and which addresses nobody explains.
    """
    import bustrace
    from bustrace.board import load_image
    from bustrace.identify import board_seen
    from bustrace.report import draft_text, headline
    from bustrace.units import count_words

    if output is not None and os.path.lexists(output):
        raise InputError(
            "there is such a file already, and drafts write over nothing",
            path=output,
            key="--output",
            advice="choose another name",
        )
    images = [load_image(path) for path in rom]
    reading = _read({**given, "board": None, "rom": (), "without": (), "fit": ()})
    seen = board_seen(reading, images)
    say_doubts_of(reading)
    if seen.reason is not None:
        click.echo(f"Nothing to draft: {seen.reason}.", err=True)
        raise SystemExit(_CANNOT_CONCLUDE)
    text = draft_text(
        seen,
        source=given["capture"],
        files=[_beside(path, output) for path in rom],
        headline=headline(bustrace.diagnose(reading)),
    )
    if output is None:
        print_result([text])
        return
    from bustrace.capture.whole_file import whole_file

    with writing(output), whole_file(output) as file:
        file.write(text.encode())
    click.echo(f"Written: {output}, {count_words(len(seen.chips), 'chip')}", err=True)


cli.add_command(drill_commands)


def _beside(path: str, output: str | None) -> str | None:
    """The path as a board file at `output` may name it, or None outside its folder."""
    home = os.path.realpath(os.path.dirname(output or "") or ".")
    target = os.path.realpath(path)
    if not os.path.isdir(home) or os.path.commonpath([home, target]) != home:
        return None
    return os.path.relpath(target, home).replace(os.sep, "/")


def _target(output: str, to: str | None, given: dict[str, Any]) -> str:
    """The format to write; nothing that is read may be written over."""
    names = [given["capture"], given["board"], given["hookup"]]
    names += [text.rpartition("@")[0] for text in given["rom"]]
    names += [text.partition("=")[2] for text in given["fit"]]
    for name in filter(None, names):
        if os.path.exists(name) and os.path.exists(output) and os.path.samefile(name, output):
            raise InputError(
                "this file is read and would be written over",
                path=output,
                key="--output",
                advice="write to another file",
            )
    to = to or {".vcd": "vcd", ".csv": "csv"}.get(os.path.splitext(output)[1].lower())
    if to is None:
        raise InputError(
            "its name does not tell the format",
            path=output,
            key="--output",
            expected="a name that ends in .vcd or .csv, or --to vcd, csv or state",
        )
    if to != "state":
        for name in ("board", "rom", "without", "fit", "hookup", "line"):
            if given[name]:
                raise click.UsageError(f"--{name} serves --to state only.")
    return to


def _in_order(first: int | None, last: int | None) -> None:
    if first is not None and last is not None and last < first:
        raise click.UsageError(f"--last {last} lies before --first {first}.")


def _within(reading: Reading, **cycles: int | None) -> None:
    """Refuse cycles beyond the capture's end; where it has none, the result says why."""
    count = len(reading.cycles)
    for name, cycle in cycles.items():
        if cycle is not None and 0 < count <= cycle:
            raise click.UsageError(
                f"--{name} {cycle}: the capture has {count:,} cycles, 0 to {count - 1:,}."
            )


def _in_drawing(error: InputError) -> InputError:
    """The same error, with the name that the option has where --lines means the lanes."""
    renamed = {
        name: text.replace("--lines", "--file-lines")
        for name in ("key", "expected", "advice")
        if (text := getattr(error, name)) is not None
    }
    return InputError(
        error.what,
        path=error.path,
        line=error.line,
        column=error.column,
        found=error.found,
        **renamed,
    )


def _read(given: dict[str, Any]) -> Reading:
    """Open the capture and read it against the board."""
    import bustrace

    board = board_of(given)
    hookup = hookup_of(given)
    tell_of_compiling()
    capture = capture_of(given)
    with naming_clips(given):
        return bustrace.read_boot(capture, board, hookup)


def main() -> None:
    """Run the command line: the entry point of the program.

    An exit code of 1 always means a fault of the board, so a mistake in bustrace itself ends with
    70 (EX_SOFTWARE of BSD's sysexits.h) and an interruption with 130.
    """
    for stream in (sys.stdout, sys.stderr):
        # Names in captures may hold letters that the terminal's encoding lacks.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        sys.exit(cli.main(prog_name="bustrace", standalone_mode=False))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted.", err=True)
        sys.exit(_INTERRUPTED)
    except BrokenPipeError:
        let_go_of(sys.stdout)
        sys.exit(_PIPE_CLOSED)
    except OSError as error:
        # Troubles with files are told where they arise: this is stdout, or stderr itself.
        let_go_of(sys.stdout)
        try:
            click.echo(f"bustrace: the result cannot be written: {error.strerror}", err=True)
        except OSError:
            let_go_of(sys.stderr)
        sys.exit(_Unusable.exit_code)
    except Exception:
        traceback.print_exc()
        click.echo("This is a mistake in bustrace, not in your files.", err=True)
        sys.exit(_OWN_MISTAKE)
