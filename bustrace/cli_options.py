"""Options that several commands share, and what each of them makes of what was given."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bustrace.errors import HookupError, InputError

if TYPE_CHECKING:
    from bustrace.board import Board
    from bustrace.capture import Capture

Command = TypeVar("Command", bound=Callable[..., Any])


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


CAPTURE_OPTIONS = (
    click.option(
        "--format",
        type=click.Choice(["vcd", "csv", "raw", "other"], case_sensitive=False),
        help="Format of the capture; by default its first bytes tell. other: have sigrok-cli "
        "convert it.",
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
    click.option(
        "--raw-bits",
        type=int,
        metavar="BITS",
        help="The capture is a raw sample dump, with so many bits a sample: 8, 16, ... 64.",
    ),
    click.option(
        "--raw-order",
        type=click.Choice(["little", "big"]),
        help="Whether the low or the high byte of a raw sample comes first.",
    ),
    click.option(
        "--names",
        metavar="NAME,NAME,...",
        help="A raw dump's lines, bit 0 first; - leaves a bit out.",
    ),
)
LINES = click.option(
    "--lines",
    metavar="NAME,NAME,...",
    help="Read only these lines and buses of the file; needed above 64 lines.",
)
HOOKUP_OPTIONS = (
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
FITTED_OPTIONS = (
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
BOARD_OPTIONS = (
    click.option("--board", metavar="FILE", help="Board file (TOML): what should be there."),
    click.option(
        "--rom",
        multiple=True,
        metavar="FILE@ADDR",
        help="A ROM image and the address of its first byte, such as monitor.bin@E000, where "
        "there is no board file. Repeatable.",
    ),
    *FITTED_OPTIONS,
)


def with_options(*groups: tuple[Callable[[Command], Command], ...]) -> Callable[[Command], Command]:
    """Decorate a command with groups of options, in their order."""

    def decorate(command: Command) -> Command:
        for option in reversed([option for group in groups for option in group]):
            command = option(command)
        return command

    return decorate


def capture_of(given: dict[str, Any]) -> Capture:
    """Open the capture as the options say."""
    from bustrace.capture import open_capture

    return open_capture(
        given["capture"],
        lines=names_in(given["lines"]),
        names=None if given["names"] is None else _every_name(given["names"]),
        **{
            name: given[name]
            for name in (
                "format", "rate", "mode", "time_unit", "separator", "decimal", "threshold", "base",
                "raw_bits", "raw_order",
            )
        },
    )  # fmt: skip


def board_of(given: dict[str, Any]) -> Board | None:
    """The board that the options tell of, or None."""
    from bustrace.board import board_from_roms, load_board

    fit = dict(pairs_of(given["fit"], "--fit", "REF=FILE"))
    if given["board"] is not None:
        if given["rom"]:
            raise click.UsageError("Give either --board or --rom, not both.")
        return load_board(given["board"], without=given["without"], fit=fit)
    if given["without"] or fit:
        raise click.UsageError("--without and --fit need the --board that they change.")
    if not given["rom"]:
        return None
    return board_from_roms([_rom(text) for text in given["rom"]])


def names_in(text: str | None) -> list[str] | None:
    """Names between commas."""
    if text is None:
        return None
    return [name.strip() for name in text.split(",") if name.strip()]


def _every_name(text: str) -> list[str]:
    """Names between commas where each place counts, empty ones too."""
    return [name.strip() for name in text.split(",")]


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


def hookup_of(given: dict[str, Any]) -> dict[str, str]:
    """Pins by line name, from the hookup file and the options."""
    told: dict[str, str] = {}
    if given["hookup"] is not None:
        from bustrace.hookup import load_hookup

        told = load_hookup(given["hookup"])
    return told | dict(pairs_of(given["line"], "--line", "NAME=PIN"))


@contextmanager
def naming_clips(given: dict[str, Any]) -> Iterator[None]:
    """Have an error about a clip say where it was given: the option, or the hookup file."""
    try:
        yield
    except HookupError as error:
        if error.key in dict(pairs_of(given["line"], "--line", "NAME=PIN")):
            error.key = f"--line {error.key}"
        elif error.key is not None and given["hookup"] is not None:
            error.path, error.key = given["hookup"], f"lines.{error.key}"
        raise


def pairs_of(texts: tuple[str, ...], option: str, form: str) -> Iterator[tuple[str, str]]:
    """Take texts such as ``NAME=PIN`` apart."""
    for text in texts:
        # A line's own name may hold the sign; a pin and a reference never do.
        name, sign, value = text.partition("=") if option == "--fit" else text.rpartition("=")
        if not sign or not name or not value:
            raise InputError(
                f"this is not of the form {form}", key=option, found=text, expected=form
            )
        yield name, value
