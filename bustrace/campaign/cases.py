"""What is drawn: board, faults, lines, length, conditions. One number, one case, for ever."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Literal

import numpy as np

from bustrace.board import Board
from bustrace.campaign.boards import (
    BoardFiles,
    faults_of,
    loaded,
    made_up_board,
    made_up_io_board,
    without_images,
)
from bustrace.drill import (
    DIALECTS,
    NAMING,
    BusRecord,
    Display,
    Nuisances,
    Occurrence,
    Planting,
    PowerOn,
    as_described,
    as_planting,
    control_lines,
    draw_nuisances,
    line_names,
    settled,
    shared_groups,
    simulate,
    variants_of,
)
from bustrace.faults import PLACES, SELECT, Fault

Kind = Literal["planted", "healthy"]

MOST_CYCLES = 20_000
LENGTHS = (1_500, 5_000, MOST_CYCLES)
"""Lengths of boots, in cycles: a short capture, a usual one, the longest."""

LINE_SETS: dict[str, int | None] = {"all": None, "32": 32, "24": 24, "16": 16, "8": 8}
"""How many lines are clipped."""

FIRST_LOOK = ("PHI2", "RES", "RW", "SYNC", "IRQ", "RDY", "D0")
"""What eight clips go to, with the first select."""

BY_CHANCE = ("content",)
"""Families whose faults share one stream of the seed. No two of them are drawn together: removing
one would change what the other is."""

RESET_LOW = ((0, 12),)
PLAIN_RATE = 24_000_000
_CLOCK = Fraction(1_000_000)
_TWO_FAULTS = 0.15
_COMES_AND_GOES = 0.15
_OWN_BOARDS = 0.5
_EVERY_SAMPLE = ("csv samples", "csv rate only", "csv every sample")
_BUS_COLUMNS = ("vcd vectors", "csv hex", "tsv binary")


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that decides what a campaign's cases are.

    Attributes
    ----------
    seed : int
    boards : tuple of BoardFiles
    """

    seed: int
    boards: tuple[BoardFiles, ...]

    @property
    def digest(self) -> str:
        """SHA-256 of the seed and the boards, in hex: two plans alike have the same cases."""
        told = [str(self.seed), *(files.digest for files in self.boards)]
        return hashlib.sha256("\n".join(told).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a boot and its recording are like, faults apart.

    The names are those of `bustrace.drill.simulate`, `sample` and `export`; `ugly` holds what
    the judge is not told of.
    """

    clock_hz: Fraction
    rate: int
    dialect: str = "vcd scalars"
    naming: str = "plain"
    reset_low: tuple[tuple[int, int], ...] = RESET_LOW
    undriven: Literal["keeps", "high"] = "keeps"
    display: Display | None = None
    skew_ps: int = 2_000
    noise: float = 0.0
    start: int = 0
    lead_cycles: float = 0.0
    chatter: int = 0
    trigger: int = 0
    ugly: Nuisances = field(default_factory=Nuisances)


@dataclass(frozen=True, slots=True)
class Case:
    """One boot to be judged.

    Attributes
    ----------
    kind : {"planted", "healthy"}
    number : int
    files : BoardFiles
    plantings : tuple of Planting
        Faults, how they show themselves, and when.
    line_set : str
        One of `LINE_SETS`.
    cycles : int
    conditions : Conditions
    nuisances : bool
        Whether the conditions are a bench's rather than the simplest.
    rom_known : bool
        Whether the judge is given the ROM images.
    seed : int
        Of the simulation and the sampling.
    """

    kind: Kind
    number: int
    files: BoardFiles
    plantings: tuple[Planting, ...]
    line_set: str
    cycles: int
    conditions: Conditions
    nuisances: bool
    rom_known: bool
    seed: int

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is planted."""
        return tuple(planting.fault for planting in self.plantings)

    def planting_of(self, fault: Fault) -> Planting:
        """A fault as this case has it; one that it has not acts always, in its plainest way."""
        mine = (planting for planting in self.plantings if planting.fault == fault)
        return next(mine, Planting(fault))

    def described(self) -> Board:
        """The board as the judge is told of it."""
        board = as_described(loaded(self.files), self.conditions.ugly, self.seed)
        return board if self.rom_known else without_images(board)

    def run(
        self,
        faults: Sequence[Fault | Planting],
        *,
        cycles: int | None = None,
        power_on: PowerOn | None = None,
    ) -> BusRecord:
        """Simulate the boot with these faults instead, all else the same but what RAM holds."""
        how = self.conditions
        undriven = how.undriven if how.ugly.undriven == "keeps" else how.ugly.undriven
        return simulate(
            loaded(self.files),
            cycles=self.cycles if cycles is None else cycles,
            faults=[self.planting_of(f) if isinstance(f, Fault) else f for f in faults],
            seed=self.seed,
            clock_hz=how.clock_hz,
            reset_low=how.reset_low,
            undriven=undriven,
            display=how.display,
            io_hold=how.ugly.io_hold,
            power_on=power_on,
        )


def draw_case(plan: Plan, kind: Kind, number: int) -> Case:
    """The case of that number: the same whoever asks, and whenever."""
    rng = np.random.default_rng((plan.seed, ("planted", "healthy").index(kind), number))
    files = plan.boards[int(rng.integers(len(plan.boards)))]
    if kind == "healthy" and rng.random() < _OWN_BOARDS:
        files = (made_up_board, made_up_io_board)[number % 2](1_000 + number)
    line_set = str(rng.choice(list(LINE_SETS), p=[0.35, 0.2, 0.2, 0.15, 0.1]))
    cycles = int(rng.choice(LENGTHS, p=[0.25, 0.5, 0.25]))
    nuisances = bool(rng.random() < 0.5)
    rom_known = bool(rng.random() < 0.75)
    board = loaded(files)
    planted: tuple[Planting, ...] = ()
    if kind == "planted":
        faults = draw_faults(rng, faults_of(files), 2 if rng.random() < _TWO_FAULTS else 1)
        planted = draw_plantings(rng, board, faults, cycles)
    case = make_case(
        files,
        planted,
        kind=kind,
        number=number,
        line_set=line_set,
        cycles=cycles,
        nuisances=nuisances,
        rom_known=rom_known,
        seed=int(rng.integers(2**31)),
    )
    return make_ugly(case) if nuisances else case


def make_ugly(case: Case) -> Case:
    """The case with nuisances that the judge is not told of, drawn from its seed."""
    ugly = draw_nuisances(np.random.default_rng((case.seed, 6)), loaded(case.files))
    return replace(case, conditions=replace(case.conditions, ugly=ugly))


def make_case(
    files: BoardFiles,
    faults: Sequence[Fault | Planting],
    *,
    line_set: str,
    cycles: int,
    nuisances: bool,
    rom_known: bool = True,
    seed: int,
    kind: Kind = "planted",
    number: int = 0,
) -> Case:
    """A case of one's own choice; the seed draws its nuisances and all that a run leaves open."""
    board = loaded(files)
    conditions = plain(board)
    if nuisances:
        conditions = draw_conditions(np.random.default_rng((seed, 3)), board, line_set, cycles)
    return Case(
        kind,
        number,
        files,
        # By name, so that no run of the case leaves a level to chance.
        settled(board, map(as_planting, faults), np.random.default_rng((seed, 1))),
        line_set,
        cycles,
        conditions,
        nuisances,
        rom_known,
        seed,
    )


# ---- faults


def draw_faults(rng: np.random.Generator, among: Sequence[Fault], count: int) -> tuple[Fault, ...]:
    """Faults that differ: each family as often as the next, then each kind of its places."""
    by_family: dict[str, dict[str, list[Fault]]] = {}
    for fault in among:
        kinds = by_family.setdefault(fault.family, {})
        kinds.setdefault(kind_of(fault), []).append(fault)
    drawn: list[Fault] = []
    while len(drawn) < count:
        if drawn and drawn[0].family in BY_CHANCE:
            by_family = {name: by_family[name] for name in by_family if name not in BY_CHANCE}
        kinds = by_family[str(rng.choice(list(by_family)))]
        members = kinds[str(rng.choice(list(kinds)))]
        fault = members[int(rng.integers(len(members)))]
        if fault not in drawn:
            drawn.append(fault)
    return tuple(drawn)


def draw_plantings(
    rng: np.random.Generator, board: Board, faults: Sequence[Fault], cycles: int
) -> tuple[Planting, ...]:
    """The way in which each fault shows itself, and for some of them when."""
    drawn = []
    for fault in faults:
        ways = variants_of(board, fault)
        variant = ways[int(rng.integers(len(ways)))]
        when = Occurrence()
        if rng.random() < _COMES_AND_GOES and _can_come_and_go(board, fault):
            onset = int(rng.integers(cycles // 2)) if rng.random() < 0.4 else 0
            activity = float(rng.choice([0.02, 0.1, 0.4]))
            when = Occurrence(onset, activity, int(rng.choice([1, 8, 64])))
        drawn.append(Planting(fault, variant, when))
    return tuple(drawn)


def _can_come_and_go(board: Board, fault: Fault) -> bool:
    """Not a clock, nor what only the clip of the clock or of a select sees."""
    if fault.family == "shared" and shared_groups(board)[fault.chip or ""].kind == "clock":
        return False
    only_seen = fault.family == "clip" or fault.place == "clip"
    buses = all(group_of(line) in ("address", "data", "RW") for line in fault.lines)
    return fault.family != "clock" and (buses or not only_seen)


def kind_of(fault: Fault) -> str:
    """Family, group of lines and place: ``stuck address @pin``."""
    words = [fault.family]
    if fault.lines:
        words += dict.fromkeys(group_of(line) for line in fault.lines)
    if fault.place is not None:
        words.append("@" + (fault.place if fault.place in PLACES else "pin"))
    return " ".join(words)


def group_of(line: str) -> str:
    """The group that a line belongs to: ``address``, ``data``, ``select``, or its own name."""
    if line[1:].isdigit() and line[0] in "AD":
        return {"A": "address", "D": "data"}[line[0]]
    return "select" if line.startswith(SELECT) else line


# ---- lines and conditions


def lines_of(record: BusRecord, line_set: str) -> tuple[str, ...]:
    """Lines of a set: in the order in which a bench clips them, as far as the clips go."""
    known = line_names(record)
    count = LINE_SETS[line_set]
    selects = [line for line in known if line not in _clip_order(record.board)]
    if count is None:
        return known
    if count == 8:
        return tuple(line for line in (*FIRST_LOOK, *selects[:1]) if line in known)
    return tuple(line for line in (*_clip_order(record.board), *selects) if line in known)[:count]


def plain(board: Board) -> Conditions:
    """The simplest: reset in view, a good rate, a clean export."""
    return Conditions(board.clock_hz or _CLOCK, PLAIN_RATE)


def draw_conditions(
    rng: np.random.Generator, board: Board, line_set: str, cycles: int
) -> Conditions:
    """A bench's: slow resets, late clocks, late triggers, noise, skew, any export."""
    clock = board.clock_hz or _CLOCK
    rates = (24_000_000, 50_000_000) if clock > 1_100_000 else (16_000_000, 24_000_000, 50_000_000)
    dialects = [name for name in DIALECTS if name != "csv quoted"]
    whole_buses = LINE_SETS[line_set] is None or line_set == "32"
    if not whole_buses:
        dialects = [name for name in dialects if name not in _BUS_COLUMNS]
    rate = int(rng.choice(rates))
    if rate > 24_000_000 or cycles > 5_000:
        dialects = [name for name in dialects if name not in _EVERY_SAMPLE]
    dialect = str(rng.choice(dialects))
    release = int(rng.integers(3, 48))
    reset_low = [(0, release)]
    if rng.random() < 0.3:
        for _ in range(int(rng.integers(1, 4))):
            first = reset_low[-1][1] + int(rng.integers(1, 3))
            reset_low.append((first, first + int(rng.integers(1, 3))))
    late = bool(rng.random() < 0.15)
    return Conditions(
        clock,
        rate,
        dialect,
        "plain" if dialect in _BUS_COLUMNS else str(rng.choice(list(NAMING))),
        tuple(reset_low),
        "high" if rng.random() < 0.3 else "keeps",
        _display(rng, board, line_set),
        int(rng.integers(1_000, 5_000)),
        float(rng.choice([0.0, 0.0, 1e-6, 5e-6])),
        int(rng.integers(200, cycles // 2)) if late else 0,
        0.0 if late else float(rng.choice([0.0, 0.0, 15.0, 120.0])),
        int(rng.integers(4)),
        int(rng.integers(200)) if rng.random() < 0.2 else 0,
    )


def _clip_order(board: Board) -> tuple[str, ...]:
    """What is clipped first, as README tells it; the selects come after."""
    address = tuple(f"A{bit}" for bit in range(15, -1, -1))
    data = tuple(f"D{bit}" for bit in range(8))
    first = ("PHI2", "RES", "RW", *data, *address, "SYNC", "IRQ", "NMI", "RDY")
    return tuple(dict.fromkeys((*first, *control_lines(board))))


def _display(rng: np.random.Generator, board: Board, line_set: str) -> Display | None:
    """A display that takes the bus as long as the board file allows, where the clips show it."""
    held = next((hold.cycles for hold in board.holds if hold.line == "BE"), None)
    if held is None or LINE_SETS[line_set] not in (None, 32) or "BE" not in control_lines(board):
        return None
    every = int(rng.integers(4, 20)) * held
    return Display(every, held, 0x0400, int(rng.integers(16, 64)), int(rng.integers(every)))
