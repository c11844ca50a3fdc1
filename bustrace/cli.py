"""The command line: arguments in, the library called, the result printed.

Rooms are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import io
import os
import re
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bustrace.errors import BustraceError, InputError

if TYPE_CHECKING:
    from bustrace.board import Board
    from bustrace.capture import Capture
    from bustrace.reading import Reading
    from bustrace.report import Paper

Command = TypeVar("Command", bound=Callable[..., Any])

_CANNOT_CONCLUDE, _OWN_MISTAKE, _INTERRUPTED, _PIPE_CLOSED = 3, 70, 130, 141
_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


def _rate(ctx: click.Context, param: click.Parameter, value: str | None) -> Fraction | None:
    from bustrace.units import parse_rate

    try:
        return None if value is None else parse_rate(value)
    except ValueError as error:
        raise click.BadParameter(str(error), ctx, param) from None


def _volts(ctx: click.Context, param: click.Parameter, value: str | None) -> Fraction | None:
    if value is None:
        return None
    match = re.fullmatch(r"\s*([+-]?\d+(?:\.\d*)?)\s*[vV]?\s*", value)
    if match is None:
        raise click.BadParameter(f"{value!r} is no voltage: write it like 1.4", ctx, param)
    return Fraction(match[1])


_CAPTURE_OPTIONS = (
    click.option(
        "--format",
        type=click.Choice(["vcd", "csv"], case_sensitive=False),
        help="Format of the capture; by default its first bytes tell.",
    ),
    click.option("--rate", metavar="RATE", callback=_rate, help="Samples a second, such as 24MHz."),
    click.option(
        "--mode",
        type=click.Choice(["timing", "state"]),
        help="Whether rows are samples in time, or one a bus cycle.",
    ),
    click.option("--time-unit", metavar="UNIT", help="Unit of the times in the file, such as ns."),
    click.option("--separator", metavar="CHAR", help="Column separator of a CSV file."),
    click.option("--decimal", metavar="CHAR", help="Decimal sign of a CSV file: . or ,"),
    click.option(
        "--threshold",
        metavar="VOLTS",
        callback=_volts,
        help="Volts from which a column of volts is high.",
    ),
    click.option(
        "--base",
        type=click.Choice(["bin", "hex", "dec"]),
        help="How a CSV file's numbers without a mark are read.",
    ),
)
_LINES = click.option(
    "--lines",
    metavar="NAME,NAME,...",
    help="Read only these lines and buses of the file; needed above 64 lines.",
)
_HOOKUP_OPTIONS = (
    click.option(
        "--hookup", metavar="FILE", help="Hookup file (TOML): which line is clipped to which pin."
    ),
    click.option(
        "--line",
        multiple=True,
        metavar="NAME=PIN",
        help="What one line is clipped to: CH0=PHI2, CH1=!RES, CH2=A0@U7.2, CH3=- to leave it "
        "out. Repeatable; wins over names and the hookup file.",
    ),
)
_FITTED_OPTIONS = (
    click.option(
        "--without", multiple=True, metavar="REF", help="This chip is pulled. Repeatable."
    ),
    click.option(
        "--fit",
        multiple=True,
        metavar="REF=FILE",
        help="This ROM holds another image for this run. Repeatable.",
    ),
)
_BOARD_OPTIONS = (
    click.option("--board", metavar="FILE", help="Board file (TOML): what should be there."),
    click.option(
        "--rom",
        multiple=True,
        metavar="FILE@ADDR",
        help="A ROM image and the address of its first byte, such as monitor.bin@E000, where "
        "there is no board file. Repeatable.",
    ),
    *_FITTED_OPTIONS,
)


def _with(*groups: tuple[Callable[[Command], Command], ...]) -> Callable[[Command], Command]:
    def decorate(command: Command) -> Command:
        for option in reversed([option for group in groups for option in group]):
            command = option(command)
        return command

    return decorate


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
@_with(_BOARD_OPTIONS, _HOOKUP_OPTIONS, _CAPTURE_OPTIONS)
@_LINES
@click.option("--picture", metavar="PATH", help="Write the timeline too: .png, .svg or .pdf.")
@click.option("--json", "as_json", is_flag=True, help="Print the verdict as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def diagnose(picture: str | None, as_json: bool, everything: bool, **given: Any) -> None:
    """Say what is wrong, why, and what to do next.

    Without --board only the CPU side is judged; with --rom also the ROM.
    """
    import bustrace

    reading = _read(given)
    verdict = bustrace.diagnose(reading)
    if picture is not None:
        _draw(reading, picture, diagnosis=verdict)
    from bustrace.report import diagnosis_json, diagnosis_text

    if as_json:
        _doubts(reading)
        _print([diagnosis_json(verdict, reading)])
    else:
        _print(diagnosis_text(verdict, reading, everything=everything))
    raise SystemExit(verdict.exit_code)


@cli.command(short_help="Say what is in a capture: lines, rate, clock, reset, doubts.")
@click.argument("capture")
@_with(_BOARD_OPTIONS, _HOOKUP_OPTIONS, _CAPTURE_OPTIONS)
@_LINES
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def look(everything: bool, **given: Any) -> None:
    """Say what is in CAPTURE: its lines and what each was taken for, its rate and
    depth, the clock, whether reset is in view, doubts and questions.

    Nothing is judged, and no board file is needed; with one, the board's own names
    of chip selects are known.
    """
    from bustrace.board import unknown_board
    from bustrace.cycles import find_cycles
    from bustrace.hookup import identify_hookup
    from bustrace.report import look_text

    board = _board(given) or unknown_board()
    told = _hookup(given)
    _tell_of_compiling()
    capture = _capture(given)
    hookup = identify_hookup(capture, board, told)
    cycles = find_cycles(capture, hookup, board)
    _print(look_text(capture, hookup, cycles, everything=everything))


@cli.command(short_help="Print instructions and bus cycles side by side.")
@click.argument("capture")
@_with(_BOARD_OPTIONS, _HOOKUP_OPTIONS, _CAPTURE_OPTIONS)
@_LINES
@click.option("--first", type=click.IntRange(min=0), help="First cycle to list.")
@click.option("--last", type=click.IntRange(min=0), help="Last cycle to list.")
@click.option("--all", "everything", is_flag=True, help="Show what is folded otherwise.")
def listing(first: int | None, last: int | None, everything: bool, **given: Any) -> None:
    """Print the instructions that CAPTURE shows, beside their bus cycles."""
    from bustrace.report import listing_lines, why_nothing

    _in_order(first, last)
    reading = _read(given)
    if not len(reading.program):
        click.echo(f"Nothing to list: {why_nothing(reading)}.", err=True)
        raise SystemExit(_CANNOT_CONCLUDE)
    if first is not None and first >= len(reading.cycles):
        raise click.UsageError(f"--first {first}: the capture has {len(reading.cycles):,} cycles.")
    _doubts(reading)
    lines = listing_lines(reading, first=first, last=last, everything=everything)
    _print(f"{line}\n" for line in lines)


@cli.command(short_help="Draw the timeline of a capture.")
@click.argument("capture")
@click.option("-o", "--output", required=True, metavar="PATH", help="Where to: .png, .svg or .pdf.")
@_with(_BOARD_OPTIONS, _HOOKUP_OPTIONS, _CAPTURE_OPTIONS)
@click.option("--first", type=click.IntRange(min=0), help="First cycle to draw.")
@click.option("--last", type=click.IntRange(min=0), help="Last cycle to draw.")
@click.option("--around", type=click.IntRange(min=0), help="Draw around this cycle.")
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
    first: int | None,
    last: int | None,
    around: int | None,
    lines: str | None,
    file_lines: str | None,
    title: str | None,
    width: float,
    grey: bool,
    **given: Any,
) -> None:
    """Draw the timeline of CAPTURE, with findings and the derail marked in place.

    By default it shows where the program leaves its path, or else the reset
    vector's fetch.
    """
    import bustrace

    if around is not None and (first is not None or last is not None):
        raise click.UsageError("Give either --around, or --first and --last.")
    _in_order(first, last)
    try:
        reading = _read({**given, "lines": file_lines})
    except InputError as error:
        raise _in_drawing(error) from None
    _doubts(reading)
    _draw(
        reading,
        output,
        diagnosis=bustrace.diagnose(reading),
        first=first,
        last=last,
        around=around,
        lines=_names(lines),
        title=title,
        width=width,
        print_safe=grey,
    )


@cli.command(name="board", short_help="Show the address map of a board file.")
@click.argument("board")
@_with(_FITTED_OPTIONS)
def board_map(board: str, without: tuple[str, ...], fit: tuple[str, ...]) -> None:
    """Show who answers at each of the 65,536 addresses of the board file BOARD:
    gaps, doubled drivers, mirrors, and who holds the vectors.
    """
    from bustrace.board import load_board
    from bustrace.report import board_text

    fitted = dict(_pairs(fit, "--fit", "REF=FILE"))
    _print(board_text(load_board(board, without=without, fit=fitted)))


def _in_order(first: int | None, last: int | None) -> None:
    if first is not None and last is not None and last < first:
        raise click.UsageError(f"--last {last} lies before --first {first}.")


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

    board = _board(given)
    hookup = _hookup(given)
    _tell_of_compiling()
    return bustrace.read_boot(_capture(given), board, hookup)


def _capture(given: dict[str, Any]) -> Capture:
    from bustrace.capture import open_capture

    return open_capture(
        given["capture"],
        lines=_names(given["lines"]),
        **{
            name: given[name]
            for name in (
                "format", "rate", "mode", "time_unit", "separator", "decimal", "threshold", "base",
            )
        },
    )  # fmt: skip


def _board(given: dict[str, Any]) -> Board | None:
    from bustrace.board import board_from_roms, load_board

    fit = dict(_pairs(given["fit"], "--fit", "REF=FILE"))
    if given["board"] is not None:
        if given["rom"]:
            raise click.UsageError("Give either --board or --rom, not both.")
        return load_board(given["board"], without=given["without"], fit=fit)
    if given["without"] or fit:
        raise click.UsageError("--without and --fit need the --board that they change.")
    if not given["rom"]:
        return None
    return board_from_roms([_rom(text) for text in given["rom"]])


def _names(text: str | None) -> list[str] | None:
    """Names between commas."""
    if text is None:
        return None
    return [name.strip() for name in text.split(",") if name.strip()]


def _rom(text: str) -> tuple[str, str]:
    path, sign, address = text.rpartition("@")
    if not sign or not path:
        raise InputError(
            "this is not an image and its address",
            key="--rom",
            found=text,
            expected="FILE@ADDR, such as monitor.bin@E000",
        )
    return path, address


def _hookup(given: dict[str, Any]) -> dict[str, str]:
    told: dict[str, str] = {}
    if given["hookup"] is not None:
        from bustrace.hookup import load_hookup

        told = load_hookup(given["hookup"])
    return told | dict(_pairs(given["line"], "--line", "NAME=PIN"))


def _pairs(texts: tuple[str, ...], option: str, form: str) -> Iterator[tuple[str, str]]:
    for text in texts:
        # A line's own name may hold the sign; a pin and a reference never do.
        name, sign, value = text.partition("=") if option == "--fit" else text.rpartition("=")
        if not sign or not name or not value:
            raise InputError(
                f"this is not of the form {form}", key=option, found=text, expected=form
            )
        yield name, value


def _tell_of_compiling() -> None:
    """Have it said once, on stderr, that kernels are being compiled, if this run must."""
    from numba.core import event

    class FirstTime(event.Listener):
        told = False

        def on_start(self, event: Any) -> None:
            if not self.told:
                self.told = True
                click.echo("Compiling the fast parts, once: this takes some seconds.", err=True)

        def on_end(self, event: Any) -> None:
            """Nothing is left to say."""

    click.get_current_context().with_resource(event.install_listener("numba:compile", FirstTime()))


def _draw(reading: Reading, path: str, **how: Any) -> None:
    from bustrace.draw import draw_timeline, save_picture

    figure = draw_timeline(reading, **how)
    click.echo(f"Picture: {save_picture(figure, path)}", err=True)


def _doubts(reading: Reading) -> None:
    """Doubts on stderr, for results that have no place for them."""
    parts = (reading.capture, reading.hookup, reading.cycles, reading.program)
    for note in (note for part in parts for note in part.notes if note.kind == "doubt"):
        click.echo(f"Doubt: {note.text}", err=True)
    for question in reading.hookup.questions:
        click.echo(f"Question: {question}", err=True)


def _print(result: Paper | Iterable[str]) -> None:
    """Write the result; a reader that has seen enough, as `head` has, is no error."""
    from bustrace.report import Paper, show

    try:
        if isinstance(result, Paper):
            show(result, sys.stdout)
        else:
            sys.stdout.writelines(result)
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_stdout()


def _let_go_of_stdout() -> None:
    """Nobody reads any more; what is still buffered would be tried again when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


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
        _let_go_of_stdout()
        sys.exit(_PIPE_CLOSED)
    except Exception:
        traceback.print_exc()
        click.echo("This is a mistake in bustrace, not in your files.", err=True)
        sys.exit(_OWN_MISTAKE)
