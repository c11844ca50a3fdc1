"""Faults of lines: stuck, open, joined, held, and clips that sit wrong."""

from __future__ import annotations

from collections.abc import Callable

from bustrace.drill.groups import behind_buffer
from bustrace.drill.model import Join, select_active, select_name
from bustrace.drill.nets import Net, group_of_line
from bustrace.drill.planted import Plot

INPUT_FLOATS = 1
"""Level an open TTL or NMOS input acts as: it sits above the threshold (Fairchild AN-363)."""

HELD_LINES = ("IRQ", "NMI", "RDY", "SO")
PROBED_ONLY = ("PHI2", "RES", "IRQ", "NMI", "RDY", "SO")
"""Lines of which only the probe's view can be stuck: their faults proper are held, clock, reset."""

JOINED_CONTROL = ("IRQ", "NMI", "RDY")
"""Control inputs that a bus line can touch: pulled up, and so weaker than a driver."""


def _stages(plot: Plot, group: str, place: str) -> list[tuple[Net, str]]:
    """Nets and stages that a place touches."""
    planted = plot.planted
    at_chip = place if place.startswith("chip:") else None
    if group != "data":
        one_way = planted.address if group == "address" else planted.rw
        stage = {
            "cpu": "near",
            "bus": "near",
            "clip": "clip",
            "behind": "far",
            "decoder": "decoder",
        }.get(place, at_chip)
        if stage is None:
            raise _no_place(plot)
        return [(one_way, stage)]
    read, write = planted.reads, planted.writes
    found = {
        "cpu": [(read, "near"), (write, "near")],
        "bus": [(read, "far"), (read, "near"), (write, "near"), (write, "far")],
        "clip": [(read, "clip"), (write, "clip")],
        "behind": [(read, "far"), (write, "far")],
        "read": [(read, "near")],
        "write": [(write, "far")],
    }.get(place, [(read, at_chip), (write, at_chip)] if at_chip else None)
    if found is None:
        raise _no_place(plot)
    return found


def _no_place(plot: Plot) -> ValueError:
    return plot.refuse(f"{plot.fault.lines[0]} has no place {plot.fault.place!r} in this bus")


def _pins(plot: Plot, bit: int, place: str) -> list[int]:
    """Address bits that share the pin: of a dynamic RAM's one is in the row, one in the column."""
    if plot.variant != "pin":
        return [bit]
    half = ((plot.chip(int(place[5:])).size or 1).bit_length() - 1) // 2
    return [bit % half, bit % half + half]


def stuck(plot: Plot) -> None:
    """A line at one level."""
    line = plot.fault.lines[0]
    for index, state in enumerate(plot.board.state_bits):
        if state.name.casefold() == line.casefold():
            _stuck_state(plot, index)
            return
    if line == "DIR":
        _stuck_direction(plot)
        return
    place, level = plot.place(), plot.fault.level or 0
    group, bit = group_of_line(line)
    if group is not None:
        for net, stage in _stages(plot, group, place):
            for each in _pins(plot, bit, place):
                net.add(stage, "stuck", [each], level)
    elif line == "SYNC" and place in ("cpu", "bus", "clip"):
        plot.planted.clip_levels[line] = level
    elif line in PROBED_ONLY:
        if place != "clip":
            raise plot.refuse(f"{line} is stuck only @clip here; else held:, clock: or reset:")
        plot.planted.clip_levels[line] = level
    else:
        _stuck_select(plot, line, place, level)


def _stuck_state(plot: Plot, index: int) -> None:
    if plot.fault.place not in (plot.board.state_bits[index].source or "decoder", "decoder"):
        raise _no_place(plot)
    plot.planted.state_and &= ~(1 << index)
    plot.planted.state_or |= (plot.fault.level or 0) << index


def _stuck_direction(plot: Plot) -> None:
    """A data buffer that always passes towards the CPU, or always away from it."""
    ref = (plot.fault.place or "").casefold()
    names = [b.ref for b in plot.board.buffers if b.direction is not None]
    found = next((name for name in names if name.casefold() == ref), None)
    behind = behind_buffer(plot.board, found) if found is not None else ()
    if not behind:
        raise _no_place(plot)
    for chip in behind:
        if plot.fault.level:
            plot.planted.unheard |= 1 << plot.bit(chip)
            plot.planted.deaf.add(chip)
        else:
            plot.planted.silent |= 1 << plot.bit(chip)


def _stuck_select(plot: Plot, line: str, place: str, level: int) -> None:
    planted, chip = plot.planted, plot.selected_by(line)
    if chip is None:
        raise plot.refuse(f"the board has no line {line}")
    name = select_name(plot.board.map.chips[chip])
    if place == "clip":
        _permanently(plot)
        planted.clip_levels[name] = level
        return
    if place not in ("bus", "behind", "decoder", f"chip:{chip}"):
        raise _no_place(plot)
    on = level == select_active(plot.chip(chip))
    _select(plot, chip, on)
    if on:
        planted.fights = plot.variant
    if place in ("bus", "decoder"):
        planted.clip_levels[name] = level
        if on:
            planted.line_on |= 1 << chip
        else:
            planted.line_off |= 1 << chip


def _select(plot: Plot, chip: int, on: bool) -> None:
    if on:
        plot.planted.select_on |= 1 << chip
    else:
        plot.planted.select_off |= 1 << chip


def _permanently(plot: Plot) -> None:
    """Only what acts always can be planted in this way."""
    if not plot.planting.when.permanent:
        raise plot.refuse("this cannot come and go here")


def opened(plot: Plot) -> None:
    """A line that does not reach what it should."""
    line, place, planted = plot.fault.lines[0], plot.place(), plot.planted
    if place in ("clip", "bus"):
        raise plot.refuse(
            "an open has a far side: behind, decoder, read, write or a chip (a lost probe is clip:)"
        )
    group, bit = group_of_line(line)
    if group == "data":
        if place.startswith("chip:"):
            chip = int(place[5:])
            planted.open_data[chip] = planted.open_data.get(chip, 0) | 1 << bit
            planted.writes.add(place, "stuck", [bit], INPUT_FLOATS)
            return
        if place == "decoder":
            raise _no_place(plot)
        sides = {"read": ["read"], "write": ["write"]}.get(place, ["read", "write"])
        if "read" in sides:
            planted.reads.add("near", "stuck", [bit], INPUT_FLOATS)
        if "write" in sides:
            planted.writes.add("far", "stuck", [bit], INPUT_FLOATS)
    elif group is not None:
        # The clip sits on the CPU's pin and still sees what the CPU drives there.
        behind = "behind" if place == "cpu" else place
        for net, stage in _stages(plot, group, behind):
            for each in _pins(plot, bit, behind):
                net.add(stage, "stuck", [each], INPUT_FLOATS)
    else:
        chip_bit = plot.selected_by(line)
        if chip_bit is None or place != f"chip:{chip_bit}":
            raise plot.refuse(f"an open of {line} at that place is not simulated")
        on = select_active(plot.chip(chip_bit)) == INPUT_FLOATS
        _select(plot, chip_bit, on)
        if on:
            planted.fights = plot.variant


def short(plot: Plot) -> None:
    """Lines that touch."""
    place, lines = plot.place(), plot.fault.lines
    if place == "clip":
        raise plot.refuse("a clip that joins two pins joins them for all: place bus")
    groups = {group_of_line(line)[0] for line in lines}
    if len(groups) > 1 or None in groups or "rw" in groups:
        _joined_groups(plot, place)
        return
    group = groups.pop() or ""
    bits = [group_of_line(line)[1] for line in lines]
    kind = plot.variant
    if kind == "stronger" or kind in lines:
        drawn = int(plot.stream().integers(len(bits)))
        kind, leader = "follow", lines.index(kind) if kind in lines else drawn
        bits.insert(0, bits.pop(leader))
    for net, stage in _stages(plot, group, place):
        net.add(stage, kind, bits)
    if place in ("cpu", "bus"):
        wins = (
            plot.variant if kind != "follow" else f"{'A' if group == 'address' else 'D'}{bits[0]}"
        )
        plot.planted.joins.append(Join(lines, wins))


def _joined_groups(plot: Plot, place: str) -> None:
    """An address line with a data line, or either with R/W or a control input."""
    lines = plot.fault.lines
    kinds = {group_of_line(line)[0] or line for line in lines}
    known = {"address", "data", "rw", *JOINED_CONTROL}
    missing = [line for line in lines if not plot.board.has_pin(line)]
    if len(lines) != 2 or not kinds <= known or len(kinds) < 2 or missing or place != "bus":
        raise plot.refuse(
            "lines of two groups are joined here two at a time, at the bus, among the address"
            f" lines, D0 to D7, RW, {', '.join(JOINED_CONTROL)}"
        )
    if not kinds & {"address", "data"}:
        raise plot.refuse("one of the lines must be of the address or data bus here")
    wins = plot.variant
    if wins == "stronger":
        wins = lines[int(plot.stream().integers(2))]
    plot.planted.joins.append(Join(lines, wins))


def clip(plot: Plot) -> None:
    """Only the probe is wrong."""
    line, variant = plot.fault.lines[0], plot.variant
    chip = plot.selected_by(line)
    name = line if chip is None else select_name(plot.board.map.chips[chip])
    group, bit = group_of_line(line)
    if chip is None and group is None and line not in ("SYNC", *PROBED_ONLY):
        raise plot.refuse(f"the board has no line {line}")
    level = int(variant == "high")
    if group is not None:
        for net, stage in _stages(plot, group, "clip"):
            if variant in ("low", "high"):
                net.add(stage, "stuck", [bit], level)
            else:
                net.add(stage, variant, [bit, bit ^ 1])
    elif chip is not None or line == "PHI2":
        _permanently(plot)
    if variant in ("low", "high"):
        plot.planted.clip_levels[name] = level


def held(plot: Plot) -> None:
    """A control line held at a level."""
    line = plot.fault.lines[0]
    if line not in HELD_LINES:
        raise plot.refuse(f"held lines are {', '.join(HELD_LINES)} here")
    plot.planted.held[line] = plot.fault.level or 0


HANDLERS: dict[str, Callable[[Plot], None]] = {
    "stuck": stuck,
    "open": opened,
    "short": short,
    "clip": clip,
    "held": held,
}
"""By family."""
