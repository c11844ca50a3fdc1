"""From the tables of a board file to a `Board`: what the keys mean together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bustrace.board.address_map import MAX_MAPPED, TooMuchWiring, WiringLoop, build_map, reach_of
from bustrace.board.banks import StateMaps
from bustrace.board.chip_tables import (
    REF_FORMS,
    Around,
    ChipRow,
    Refs,
    checked_ref,
    chip_rows,
    make_chip,
    role_of,
    with_content,
)
from bustrace.board.images import read_image
from bustrace.board.model import Board, Chip, Clip, ClipPlace, Cpu, Image, NormalHold
from bustrace.board.packages import CPU_LINES, line_name
from bustrace.board.parts import address_bits, cpu_variant
from bustrace.board.path_tables import make_buffers, make_decoders, make_names, make_state_bits
from bustrace.board.values import BadValue
from bustrace.capture.model import Note
from bustrace.errors import nearest
from bustrace.faults import WEIGHED

if TYPE_CHECKING:
    from bustrace.board.schema import BoardFile


def assemble(
    table: BoardFile,
    folder: Path,
    source: str,
    without: Iterable[str] = (),
    fit: Mapping[str, str | Path] | None = None,
) -> Board:
    """Make the board.

    Parameters
    ----------
    table : BoardFile
    folder : Path
        Where image files are looked for.
    source : str
        The file, as given.
    without : iterable of str
        Chips to leave out.
    fit : mapping of str to path
        Other images for chips; these paths come from the user, not from the file, and may lie
        anywhere.

    Raises
    ------
    BadValue
        With the dotted key of the value at fault, or the option's name.
    """
    try:
        cpu = Cpu(checked_ref(table.cpu.ref), table.cpu.part, cpu_variant(table.cpu.part))
    except BadValue as bad:
        raise bad.under("cpu.part" if bad.expected != REF_FORMS else "cpu.ref") from None
    cpu = replace(cpu, socketed=table.cpu.socketed)
    rows = chip_rows(table, cpu)
    refs = Refs([cpu.ref, *(row.ref for row in rows)])
    removed = _removed(without, refs, cpu)
    fitted_images = _fitted_images(fit or {}, refs, rows)
    pins = address_bits(cpu.variant)
    names = make_names(table, cpu, pins)
    state_bits = make_state_bits(table, refs, cpu, pins)
    decoders = make_decoders(rows, refs, names, folder)
    around = Around(names, decoders, make_buffers(rows, refs, cpu, names, decoders), folder)
    notes = [
        Note("guess", f"{bit.name}: taken for 0 at the start, reset leaves it alone", "state")
        for bit in state_bits
        if bit.reset is None
    ]
    chips = _chips(rows, around, fitted_images, notes)
    chips = [replace(chip, fitted=chip.fitted and chip.ref not in removed) for chip in chips]
    _refuse_shared_selects(rows, chips)
    unfitted = {chip.ref for chip in chips if not chip.fitted}
    decoders = tuple(replace(d, fitted=d.ref not in unfitted) for d in decoders)
    buffers = tuple(replace(b, fitted=b.ref not in unfitted) for b in around.buffers)
    first_state = sum((bit.reset or 0) << index for index, bit in enumerate(state_bits))
    address_map = build_map(chips, decoders, table.complete, buffers=buffers, state=first_state)
    twice = np.flatnonzero(address_map.doubled())
    if len(twice):
        notes.append(
            Note(
                "doubt",
                f"by the board file two chips drive the same read at {len(twice):,} addresses, the "
                f"first at ${int(twice[0]):04X}: what is read there cannot be judged; bustrace "
                "board FILE shows where",
            )
        )
    banks = (
        StateMaps(
            address_map, first_state, len(state_bits), chips, decoders, buffers, table.complete
        )
        if state_bits
        else None
    )
    cpu_chip = Chip(
        cpu.ref,
        cpu.part,
        "cpu",
        cpu.socketed,
        pins=table.cpu.pins,
        rails={rail: tuple(pins) for rail, pins in table.cpu.rails.items()},
    )
    return Board(
        name=table.name or Path(source).stem,
        source=source,
        complete=table.complete,
        cpu=cpu,
        clock_hz=table.clock.rate if table.clock else None,
        chips=(cpu_chip, *chips),
        map=address_map,
        clip=_clip(table, refs, cpu),
        decoders=decoders,
        buffers=buffers,
        state_bits=state_bits,
        banks=banks,
        holds=_holds(table),
        clock_from=_source(table.clock.source if table.clock else None, refs, "clock.from"),
        reset_from=_source(table.reset.source if table.reset else None, refs, "reset.from"),
        irq_from=refs.all_of(table.irq.sources if table.irq else (), "irq.from"),
        nmi_from=refs.all_of(table.nmi.sources if table.nmi else (), "nmi.from"),
        priors=_priors(table, refs, notes),
        notes=tuple(notes),
    )


def _priors(table: BoardFile, refs: Refs, notes: list[Note]) -> dict[str, float]:
    """Factors by family of faults or by chip, as the board spells it."""
    factors: dict[str, float] = {}
    for given, factor in table.priors.items():
        key = f"priors.{given}"
        name = given if given in WEIGHED else refs.get(given)
        if name is None:
            near = nearest(given, (*WEIGHED, *refs))
            raise BadValue(
                f"{given!r} is neither a family of faults that is weighed nor a chip of the board",
                f"one of {', '.join(WEIGHED)}; or a chip: {', '.join(refs)}",
                f"did you mean {near}?" if near else None,
                key=key,
            )
        if name in factors:
            raise BadValue(f"{name} stands here twice", "one factor a chip", key=key)
        factors[name] = factor
    if factors:
        told = ", ".join(f"{name} {factor:g}" for name, factor in factors.items())
        notes.append(Note("fact", f"the board file weighs suspects by factors: {told}", "priors"))
    return factors


def _chips(
    rows: Sequence[ChipRow],
    around: Around,
    fitted_images: Mapping[str, Image],
    notes: list[Note],
) -> list[Chip]:
    """The chips, in the file's order: first how they are wired, then what they hold."""
    chips: list[Chip] = []
    for row in rows:
        try:
            chips.append(make_chip(row, around, notes))
        except BadValue as bad:
            raise bad.under(row.key) from None
    mapped = [index for index, chip in enumerate(chips) if chip.decoding.addressed]
    if len(mapped) > MAX_MAPPED:
        raise BadValue(
            f"{len(mapped)} chips have addresses", f"at most {MAX_MAPPED} chips", key="chips"
        )
    try:
        reaches = reach_of([chips[i] for i in mapped], around.decoders, around.buffers)
    except WiringLoop as loop:
        raise BadValue(
            "the decoders feed each other in a circle",
            "wiring that starts at the CPU",
            key="chips",
            found=str(loop),
        ) from None
    except TooMuchWiring as trouble:
        raise BadValue(
            str(trouble), "fewer [[state]] bits, or only the outputs that are used", key="state"
        ) from None
    for index, reach in zip(mapped, reaches, strict=True):
        row = rows[index]
        image = fitted_images.get(row.ref)
        try:
            chips[index] = with_content(row, chips[index], reach, around, image, notes)
        except BadValue as bad:
            raise bad if bad.key.startswith("--") else bad.under(row.key) from None
    return chips


def _removed(without: Iterable[str], refs: Refs, cpu: Cpu) -> set[str]:
    removed = set(refs.all_of(without, "--without"))
    if cpu.ref in removed:
        raise BadValue(
            "without its CPU the board has no bus to look at",
            "another chip's reference",
            key="--without",
            found=cpu.ref,
        )
    return removed


def _fitted_images(
    fit: Mapping[str, str | Path], refs: Refs, rows: Sequence[ChipRow]
) -> dict[str, Image]:
    images = {}
    for given, path in fit.items():
        ref = refs.find(given, "--fit")
        row = next((row for row in rows if row.ref == ref), None)
        if row is None or role_of(row, []) not in ("rom", "other"):
            raise BadValue(
                f"{ref} is no ROM: an image cannot be fitted to it",
                "REF=FILE with a ROM's reference",
                key="--fit",
                found=f"{given}={path}",
            )
        try:
            images[ref] = read_image(Path(path), shown=str(path))
        except BadValue as bad:
            raise BadValue(
                bad.what, bad.expected, bad.advice, key="--fit", found=f"{given}={path}"
            ) from None
    return images


def _refuse_shared_selects(rows: Sequence[ChipRow], chips: Sequence[Chip]) -> None:
    seen: dict[str, tuple[str, str]] = {}
    for row, chip in zip(rows, chips, strict=True):
        for select in chip.selects:
            other, key = seen.setdefault(select.name.casefold(), (chip.ref, row.key))
            if key != row.key:
                raise BadValue(
                    f"{chip.ref} and {other} have the same select line",
                    "one name a line",
                    key=f"{row.key}.select",
                )


def _clip(table: BoardFile, refs: Refs, cpu: Cpu) -> Clip:
    if table.clip is None:
        return Clip(ClipPlace(cpu.ref))
    default = ClipPlace(cpu.ref)
    buses: dict[str, ClipPlace] = {}
    lines: dict[str, ClipPlace] = {}
    second: dict[str, ClipPlace] = {}
    for given, texts in table.clip.items():
        key = f"clip.{given}"
        place, *others = (_clip_place(text, refs, key) for text in texts)
        name = line_name(given)
        if others and (name is None or others[0] == place):
            raise BadValue(
                "only a single line is clipped twice, at two places",
                'D3 = ["U1.30", "U4.15"]',
                key=key,
            )
        if given == "default":
            default = place
        elif name is not None:
            lines[name] = place
            if others:
                second[name] = others[0]
        elif given in ("A", "D"):
            if place.pin is not None:
                raise BadValue("a whole bus has no single pin", "a chip, such as U4", key=key)
            buses.update({f"{given}{bit}": place for bit in range(16 if given == "A" else 8)})
        else:
            near = nearest(given, (*CPU_LINES, "default"))
            raise BadValue(
                "this is no line of the CPU",
                "default, A, D, or a line such as A9 or RW",
                f"did you mean {near}?"
                if near
                else "a clip on a chip's select is told at that chip, by its key select",
                key=key,
            )
    # A single line's place wins over its bus, whichever stands first.
    return Clip(default, buses | lines, second, stated=True)


def _clip_place(text: str, refs: Refs, key: str) -> ClipPlace:
    ref, _, pin = text.partition(".")
    return ClipPlace(refs.find(ref, key), pin.strip() or None)


def _holds(table: BoardFile) -> tuple[NormalHold, ...]:
    holds = []
    for index, hold in enumerate(table.holds):
        name = line_name(hold.line)
        if name is None:
            near = nearest(hold.line, CPU_LINES)
            raise BadValue(
                "this is no line of the CPU",
                "a control line such as RDY, IRQ or NMI",
                f"did you mean {near}?" if near else None,
                key=f"holds[{index}].line",
            )
        holds.append(NormalHold(name, hold.level, hold.why, hold.cycles))
    return tuple(holds)


def _source(ref: str | None, refs: Refs, key: str) -> str | None:
    return None if ref is None else refs.find(ref, key)
