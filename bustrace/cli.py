"""The command line: arguments in, the library called, the result printed.

Rooms are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
_BOARD_OPTIONS = (
    click.option("--board", metavar="FILE", help="Board file (TOML): what should be there."),
    click.option(
        "--rom",
        multiple=True,
        metavar="FILE@ADDR",
        help="A ROM image and the address of its first byte, such as monitor.bin@E000, where "
        "there is no board file. Repeatable.",
    ),
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


@click.group(cls=_Commands, context_settings=_CONTEXT)
@click.version_option(package_name="bustrace", message="bustrace %(version)s")
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
        _print(diagnosis_json(verdict, reading))
    else:
        _print(diagnosis_text(verdict, reading, everything=everything))
    raise SystemExit(verdict.exit_code)


def _read(given: dict[str, Any]) -> Reading:
    """Open the capture and read it against the board."""
    import bustrace

    board = _board(given)
    hookup = _hookup(given)
    with _compiling_told():
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


@contextmanager
def _compiling_told() -> Iterator[None]:
    """Say once, on stderr, that kernels are being compiled, if they are."""
    from numba.core import event

    class Told(event.Listener):
        told = False

        def on_start(self, event: Any) -> None:
            if not self.told:
                self.told = True
                click.echo("Compiling the fast parts, once: this takes some seconds.", err=True)

        def on_end(self, event: Any) -> None:
            """Nothing is left to say."""

    with event.install_listener("numba:compile", Told()):
        yield


def _draw(reading: Reading, path: str, **how: Any) -> None:
    from bustrace.draw import draw_timeline, save_picture

    figure = draw_timeline(reading, **how)
    click.echo(f"Picture: {save_picture(figure, path)}", err=True)


def _print(result: Paper | str) -> None:
    """Write the result; a reader that has seen enough, as `head` has, is no error."""
    from bustrace.report import Paper, show

    try:
        if isinstance(result, Paper):
            show(result, sys.stdout)
        else:
            sys.stdout.write(result)
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered would be tried again when Python ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def main() -> None:
    """Run the command line: the entry point of the program."""
    for stream in (sys.stdout, sys.stderr):
        # Names in captures may hold letters that the terminal's encoding lacks.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    cli.main(prog_name="bustrace")
