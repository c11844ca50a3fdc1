"""What ``bustrace listing`` prints: the span that was asked for, in one of three forms."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click
import numpy as np

from bustrace.units import parse_time_ps

if TYPE_CHECKING:
    from bustrace.program.symbols import Symbols
    from bustrace.reading import Reading
    from bustrace.report import Paper

_FORMS = "a cycle (1200), a time (3.2ms), an address ($E0A3) or a name of --symbols"


def listed(
    reading: Reading,
    *,
    form: str,
    begin: str | None,
    end: str | None,
    symbols: Symbols | None,
    everything: bool,
) -> Paper | Iterable[str]:
    """The listing of a reading with a program.

    Parameters
    ----------
    form : {"instructions", "cycles", "phases"}
    begin, end : str or None
        As typed after --from and --to.

    Raises
    ------
    click.UsageError
        A place that is none, or that the capture does not have.
    """
    from bustrace.report import boot_story, instruction_lines, listing_lines

    if form == "phases":
        if begin is not None or end is not None:
            raise click.UsageError("--from and --to do not go with --phases.")
        return boot_story(reading, symbols, everything=everything)
    program = reading.program
    first = 0 if begin is None else _row(reading, begin, "--from", symbols, 0)
    last = len(program) - 1 if end is None else _row(reading, end, "--to", symbols, first)
    if last < first:
        raise click.UsageError(f"--to {end} lies before --from {begin}.")
    if form == "cycles":
        cycles = int(program.first_cycle[first]), int(program.first_cycle[last])
        lines = listing_lines(reading, first=cycles[0], last=cycles[1], everything=everything)
    else:
        lines = instruction_lines(
            reading, first_row=first, end_row=last + 1, symbols=symbols, everything=everything
        )
    return (f"{line}\n" for line in lines)


def _row(reading: Reading, text: str, option: str, symbols: Symbols | None, after: int) -> int:
    """The row that a place means; an address means the first time it is executed, from `after`."""
    program, cycles = reading.program, reading.cycles
    word = text.strip()
    names = symbols.addresses if symbols is not None else {}
    address = names.get(word)
    if address is None and (match := re.fullmatch(r"(?:\$|0x)([0-9A-Fa-f]{1,4})", word)):
        address = int(match[1], 16)
    if address is not None:
        met = np.flatnonzero(program.pc[after:] == address)
        if not len(met):
            since = f" from cycle {int(program.first_cycle[after]):,} on" if after else ""
            raise click.UsageError(
                f"{option} {text}: no instruction at ${address:04X} was executed{since}."
            )
        return after + int(met[0])
    number = word.replace(",", "")
    if number.isdigit():
        count = len(cycles)
        if int(number) >= count:
            raise click.UsageError(
                f"{option} {text}: the capture has {count:,} cycles, 0 to {count - 1:,}."
            )
        return program.row_of(int(number))
    try:
        at = reading.capture.start_ps + parse_time_ps(word)
    except ValueError:
        raise click.UsageError(f"{option} {text}: give {_FORMS}.") from None
    cycle = int(np.searchsorted(cycles.time_ps, at))
    if at < reading.capture.start_ps or cycle >= len(cycles):
        raise click.UsageError(f"{option} {text}: the capture does not go there.")
    return program.row_of(cycle)
