"""The shape of a board file: every key that may stand in it.

Only the shape and single values are checked here; what keys mean together is decided in
`bustrace.board.assemble`. Imported when a board file is loaded, since pydantic takes a while.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from bustrace.board.banks import MAX_STATE_BITS
from bustrace.board.decoders import MAX_OUTPUTS
from bustrace.board.equations import MAX_INPUTS
from bustrace.board.model import Role
from bustrace.board.values import (
    BadValue,
    parse_address,
    parse_level,
    parse_line_set,
    parse_ranges,
    parse_size,
)
from bustrace.units import parse_rate

MAX_CHIPS = 128
MAX_REVISIONS = 16
MAX_PINS = 16
"""Bounds on what a file from a stranger can make bustrace do: tables of chips, images a chip, pins
of an enable."""


MIN_FACTOR, MAX_FACTOR = 0.1, 10.0
"""Bounds of a factor of ``[priors]``: a file may lean towards a chip, never decide against what a
single wrong bit of the capture says (judgement)."""


def _rate(value: object) -> Fraction:
    try:
        if isinstance(value, str):
            return parse_rate(value)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return parse_rate(str(value))
    except ValueError:
        pass
    raise BadValue("this is not a clock rate", '"1 MHz", "1.8432 MHz" or a number in hertz')


def _as_list(value: object) -> object:
    if isinstance(value, str):
        return [value]
    if isinstance(value, list) and all(isinstance(item, str) for item in value):
        return value
    raise BadValue("this is not a text in quotes", 'such as "U4", or a list: ["U4", "U5"]')


def _short_form(key: str) -> BeforeValidator:
    """A plain value where a table may stand is the table's chief key."""
    return BeforeValidator(lambda value: value if isinstance(value, dict) else {key: value})


def _pin_number(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool) and value > 0:
        return str(value)
    if isinstance(value, str) and value.strip().isalnum():
        return value.strip()
    raise BadValue("this is not a pin", 'a pin number such as 24, or "A3" on a grid')


def _reset_level(value: object) -> int | None:
    return None if value == "unknown" else parse_level(value)


def _accesses(value: object) -> list[tuple[int | None, tuple[tuple[int, int], ...]]]:
    """Ranges by the level an access there sets; None where `value` tells the level."""
    if not isinstance(value, dict):
        return [(None, parse_ranges(value))]
    found: list[tuple[int | None, tuple[tuple[int, int], ...]]] = []
    for given, ranges in value.items():
        if given not in ("0", "1"):
            raise BadValue("this is no level", '{ 0 = "$C050", 1 = "$C051" }')
        try:
            found.append((int(given), parse_ranges(ranges)))
        except BadValue as bad:
            raise bad.under(f".{given}") from None
    return found


def _revisions(value: object) -> list[tuple[str | None, str]]:
    """Revisions from a list of paths or a table of names and paths."""
    pairs: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        pairs = list(value.items())
    elif isinstance(value, list):
        pairs = [(None, path) for path in value]
    if not 0 < len(pairs) <= MAX_REVISIONS or not all(isinstance(path, str) for _, path in pairs):
        raise BadValue(
            f"these are not 1 to {MAX_REVISIONS} image files",
            '["a.bin", "b.bin"] or { "rev A" = "a.bin", "rev B" = "b.bin" }',
        )
    return pairs


def _factor(value: object) -> float:
    if (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and (MIN_FACTOR <= value <= MAX_FACTOR)
    ):
        return float(value)
    raise BadValue(
        "this is not a factor", f"a number from {MIN_FACTOR} to {MAX_FACTOR:g}; 1 changes nothing"
    )


Address = Annotated[int, BeforeValidator(parse_address)]
Ranges = Annotated[tuple[tuple[int, int], ...], BeforeValidator(parse_ranges)]
Size = Annotated[int, BeforeValidator(parse_size)]
Level = Annotated[int, BeforeValidator(parse_level)]
Rate = Annotated[Fraction, BeforeValidator(_rate)]
Refs = Annotated[list[str], BeforeValidator(_as_list)]
Pin = Annotated[str, BeforeValidator(_pin_number)]
Pins = Annotated[
    list[Pin], BeforeValidator(lambda value: value if isinstance(value, list) else [value])
]
AddressLines = Annotated[int, BeforeValidator(lambda value: parse_line_set(value, "A", 16))]
DataLines = Annotated[int, BeforeValidator(lambda value: parse_line_set(value, "D", 8))]
Clips = Annotated[list[str], BeforeValidator(_as_list), Field(min_length=1, max_length=2)]
Factor = Annotated[float, BeforeValidator(_factor)]
ResetLevel = Annotated[int | None, BeforeValidator(_reset_level)]
Accesses = Annotated[
    list[tuple[int | None, tuple[tuple[int, int], ...]]], BeforeValidator(_accesses)
]


class Table(BaseModel):
    """A table of the file: unknown keys are errors, nothing is converted behind one's back."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class CpuTable(Table):
    """``[cpu]``."""

    part: str
    ref: str = "CPU"
    socketed: bool | None = None
    pins: dict[str, Pin] = Field(default_factory=dict)
    rails: dict[str, Pins] = Field(default_factory=dict)


class ClockTable(Table):
    """``[clock]``."""

    rate: Rate
    source: str | None = Field(default=None, alias="from")


class SourceTable(Table):
    """``[reset]``."""

    source: str = Field(alias="from")


class SourcesTable(Table):
    """``[irq]`` and ``[nmi]``."""

    sources: Refs = Field(alias="from")


class HoldTable(Table):
    """``[[holds]]``."""

    line: str
    level: Level
    cycles: int | None = Field(default=None, ge=1)
    why: str = ""


class SelectTable(Table):
    """``select`` of a chip."""

    line: str | None = None
    active: Level | None = None
    phi2: bool | None = None
    pin: str | None = None


class TruthTable(Table):
    """``truth_table`` of a chip."""

    file: str
    inputs: list[Any] = Field(max_length=MAX_INPUTS)
    outputs: dict[str, str] = Field(max_length=MAX_OUTPUTS)


class BufferTable(Table):
    """``buffers`` of a chip."""

    lines: Refs
    source: str | None = Field(default=None, alias="from")
    to: Refs
    direction: str | None = None


class StateTable(Table):
    """``[[state]]``."""

    name: str
    reset: ResetLevel
    source: str | None = Field(default=None, alias="from")
    write: Ranges | None = None
    bit: int | None = Field(default=None, ge=0, le=7)
    access: Accesses | None = None
    value: Level | None = None
    by: Literal["any", "read", "write"] = "any"
    undecoded: AddressLines = 0
    port: int | None = Field(default=None, ge=0, le=7)


class ChipTable(Table):
    """``[[chips]]``."""

    ref: Refs
    part: str = "custom"
    role: Role | None = None
    about: str = ""
    socketed: bool | None = None
    fitted: bool = True
    range: Ranges | None = None
    read_range: Ranges | None = None
    write_range: Ranges | None = None
    undecoded: AddressLines = 0
    enable: dict[str, Any] = Field(default_factory=dict, max_length=MAX_PINS)
    select: Annotated[SelectTable, _short_form("line")] | None = None
    size: Size | None = None
    base: Address | None = None
    data: DataLines | None = None
    file: str | None = None
    files: Annotated[list[tuple[str | None, str]], BeforeValidator(_revisions)] | None = None
    pins: dict[str, Pin] = Field(default_factory=dict)
    rails: dict[str, Pins] = Field(default_factory=dict)
    inputs: dict[str, Any] = Field(default_factory=dict)
    outputs: dict[str, Refs] = Field(default_factory=dict)
    equations: dict[str, str] = Field(default_factory=dict, max_length=MAX_OUTPUTS)
    truth_table: TruthTable | None = None
    when: dict[str, Level] = Field(default_factory=dict, max_length=MAX_STATE_BITS)
    bank_lines: Annotated[Refs, Field(max_length=MAX_STATE_BITS)] = Field(default_factory=list)
    buffers: BufferTable | None = None


class BoardFile(Table):
    """The whole file."""

    format: Literal[1]
    name: str | None = None
    about: str = ""
    complete: bool = True
    cpu: Annotated[CpuTable, _short_form("part")]
    clock: Annotated[ClockTable, _short_form("rate")] | None = None
    reset: Annotated[SourceTable, _short_form("from")] | None = None
    irq: Annotated[SourcesTable, _short_form("from")] | None = None
    nmi: Annotated[SourcesTable, _short_form("from")] | None = None
    clip: Annotated[dict[str, Clips], _short_form("default")] | None = None
    holds: list[HoldTable] = Field(default_factory=list)
    chips: list[ChipTable] = Field(default_factory=list, max_length=MAX_CHIPS)
    state: list[StateTable] = Field(default_factory=list, max_length=MAX_STATE_BITS)
    priors: dict[str, Factor] = Field(default_factory=dict, max_length=MAX_CHIPS)


TABLES: dict[tuple[str, ...], type[Table]] = {
    (): BoardFile,
    ("cpu",): CpuTable,
    ("clock",): ClockTable,
    ("reset",): SourceTable,
    ("irq",): SourcesTable,
    ("nmi",): SourcesTable,
    ("holds",): HoldTable,
    ("chips",): ChipTable,
    ("chips", "select"): SelectTable,
    ("chips", "truth_table"): TruthTable,
    ("chips", "buffers"): BufferTable,
    ("state",): StateTable,
}
"""Table at each place of the file, by the names of the keys that lead there."""


def known_keys(place: tuple[str, ...]) -> tuple[str, ...]:
    """Keys of the table at a place, as written in the file."""
    table = TABLES.get(place)
    if table is None:
        return ()
    return tuple(field.alias or name for name, field in table.model_fields.items())
