"""Drills for a trainee: a faulty capture in a folder, and the answer sealed in its seed."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from bustrace.campaign.boards import BoardFiles, board_files, faults_of, loaded, made_up_board
from bustrace.campaign.cases import Case, draw_faults, draw_plantings, lines_of, make_case
from bustrace.campaign.oracle import Oracle
from bustrace.campaign.playing import recorded
from bustrace.campaign.scoring import same_place
from bustrace.campaign.seen import differing, seen_on
from bustrace.drill import Planting, export, is_same_block
from bustrace.errors import InputError
from bustrace.faults import Fault

CAPTURE_NAME, BOARD_NAME, SEAL_NAME = "boot.vcd", "board.toml", "drill.toml"
"""What a drill's folder holds, beside the ROM images that the board file names."""

LARGEST_SEED = 2**31 - 1

Grade = Literal["right", "same", "place", "wrong"]


@dataclass(frozen=True, slots=True)
class Level:
    """How hard a drill is.

    Attributes
    ----------
    families : tuple of str or None
        None: all.
    faults : int
    line_sets : tuple of str
    nuisances : bool
    differing : int
        In so many cycles at least the fault shows.
    """

    families: tuple[str, ...] | None
    faults: int
    line_sets: tuple[str, ...]
    nuisances: bool
    differing: int


LEVELS = {
    1: Level(
        ("stuck", "clip", "held", "silent", "content", "plane", "clock", "reset"),
        1,
        ("all",),
        False,
        500,
    ),
    2: Level(None, 1, ("all", "32", "24"), True, 50),
    3: Level(None, 2, ("all", "32", "24"), True, 50),
}
CYCLES = 5_000
_TRIES = 300
_KEYS = ("format", "seed", "level", "capture", "version")


@dataclass(frozen=True, slots=True, eq=False)
class Exercise:
    """A drill with its answer.

    Attributes
    ----------
    seed, level : int
    case : Case
        Its faults all count.
    lines : tuple of str
        Captured lines.
    """

    seed: int
    level: int
    case: Case
    lines: tuple[str, ...]

    @property
    def truth(self) -> tuple[Fault, ...]:
        """The answer."""
        return self.case.faults


@dataclass(frozen=True, slots=True)
class Difference:
    """What a line shows in the first cycle in which the fault acts.

    Attributes
    ----------
    line : str
    level : int
        With the fault.
    healthy : int
        Without it.
    """

    line: str
    level: int
    healthy: int


@dataclass(frozen=True, slots=True)
class Checked:
    """An answer held against the truth, and what the fault did.

    Attributes
    ----------
    ways : tuple of Planting
        The truth: how each fault shows itself, and when.
    grades : tuple of (Fault, {"right", "same", "place", "wrong"})
        For each fault of the truth how near the answer came: the fault itself, one that gives the
        same capture, another of the same net or chip, or none of these.
    strays : tuple of Fault
        Faults of the answer that are not on this board and near none that is.
    cycles, differing : int
        Cycles of the boot, and those that the fault changes on the captured lines.
    first : int
        The first of these, counted from the first cycle of the recording.
    differences : tuple of Difference
        What differs in that cycle; empty where only one of the two runs has it.
    address, reads : int, bool
        What the CPU meant to do in that cycle, or in the last one that there is: where, and
        whether it reads. -1 without any cycle.
    """

    ways: tuple[Planting, ...]
    grades: tuple[tuple[Fault, Grade], ...]
    strays: tuple[Fault, ...]
    cycles: int
    differing: int
    first: int
    differences: tuple[Difference, ...]
    address: int
    reads: bool

    @property
    def solved(self) -> bool:
        """Every fault named, or one that this capture cannot tell from it, and no other."""
        return not self.strays and all(grade in ("right", "same") for _, grade in self.grades)


def draw_exercise(seed: int, level: int, files: BoardFiles | None = None) -> Exercise:
    """The drill of a seed; without a board of one's own, on one that nobody built.

    Raises
    ------
    InputError
        A board that cannot be simulated, or on which nothing of that level shows.
    """
    how = LEVELS[level]
    files = made_up_board(seed) if files is None else files
    if how.families is None:
        among: Sequence[Fault] = faults_of(files)
    else:
        among = [fault for fault in faults_of(files) if fault.family in how.families]
    for attempt in range(_TRIES):
        rng = np.random.default_rng((seed, level, attempt))
        faults = draw_faults(rng, among, how.faults)
        plain = [Planting(fault) for fault in faults]
        every = how.families is None
        case = make_case(
            files,
            draw_plantings(rng, loaded(files), faults, CYCLES) if every else plain,
            line_set=str(rng.choice(how.line_sets)),
            cycles=CYCLES,
            nuisances=how.nuisances,
            seed=int(rng.integers(2**31)),
        )
        try:
            lines = lines_of(case.run((), cycles=1), case.line_set)
            shows = _shows(case, lines, how.differing)
        except ValueError as error:
            raise InputError(f"this board cannot be simulated: {error}", path=BOARD_NAME) from None
        if shows:
            return Exercise(seed, level, case, lines)
    raise InputError("no fault of that level shows on this board", path=BOARD_NAME)


def hand_out(exercise: Exercise, folder: str | Path, version: str) -> None:
    """Write capture, board file, ROM images and the seal into a new folder.

    Raises
    ------
    InputError
        The folder is there already, or cannot be made.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True)
        exercise.case.files.write(folder)
        path = folder / CAPTURE_NAME
        path.write_bytes(content := capture_bytes(exercise, path))
        seal = (
            "# The answer follows from the seed: bustrace drill check.\n"
            f"format = 1\nseed = {exercise.seed}\nlevel = {exercise.level}\n"
            f'capture = "{hashlib.sha256(content).hexdigest()}"\nversion = "{version}"\n'
        )
        (folder / SEAL_NAME).write_text(seal, encoding="utf-8", newline="\n")
    except FileExistsError:
        raise InputError(
            "there is such a folder already", path=folder, advice="name a new folder"
        ) from None
    except OSError as error:
        raise InputError(f"it cannot be written: {error.strerror}", path=folder) from None


def capture_bytes(exercise: Exercise, beside: Path) -> bytes:
    """The export of the boot, as it is handed out; written for a moment beside a path."""
    case, part = exercise.case, beside.with_suffix(".part")
    try:
        export(recorded(case, case.run(case.faults)), part, "vcd scalars")
        return part.read_bytes()
    finally:
        part.unlink(missing_ok=True)


def take_back(folder: str | Path, scratch: Path) -> Exercise:
    """The drill that was handed out into a folder.

    Raises
    ------
    InputError
        It is no drill's folder, or what it holds is not what was handed out.
    """
    folder = Path(folder)
    seal = _read_seal(folder / SEAL_NAME)
    files = board_files(folder / BOARD_NAME)
    exercise = draw_exercise(seal["seed"], seal["level"], files)
    content = capture_bytes(exercise, scratch / CAPTURE_NAME)
    if hashlib.sha256(content).hexdigest() != seal["capture"]:
        raise InputError(
            "the answer cannot be found: the board file or an image was changed, or another version"
            f" of bustrace handed the drill out ({seal['version']})",
            path=folder,
            advice="undo the change, or hand out a new drill",
        )
    return exercise


def check_answer(exercise: Exercise, answer: Sequence[Fault]) -> Checked:
    """Hold an answer against the truth."""
    case, start = exercise.case, exercise.case.conditions.start
    healthy = seen_on(case.run(()), exercise.lines, start=start)
    record = case.run(exercise.truth)
    true = seen_on(record, exercise.lines, start=start)
    oracle = Oracle(case, exercise.truth, exercise.lines, true, healthy)
    left = list(dict.fromkeys(answer))
    grades: dict[Fault, Grade] = {}

    def give(grade: Grade, fits: Any) -> None:
        for fault in exercise.truth:
            named = next((one for one in left if fault not in grades and fits(fault, one)), None)
            if named is not None:
                grades[fault] = grade
                left.remove(named)

    board = loaded(case.files)
    give("right", lambda fault, named: is_same_block(board, case.planting_of(fault), named))
    give("same", oracle.alike)
    give("place", same_place)
    first = int(oracle.changed[0])
    differences: tuple[Difference, ...] = ()
    if first < min(len(true), len(healthy)):
        seen, right = int(true[first]), int(healthy[first])
        differences = tuple(
            Difference(line, seen >> bit & 1, right >> bit & 1)
            for bit, line in enumerate(exercise.lines)
            if (seen ^ right) >> bit & 1
        )
    at = min(start + first, len(record) - 1)
    return Checked(
        case.plantings,
        tuple((fault, grades.get(fault, "wrong")) for fault in exercise.truth),
        tuple(left),
        len(healthy),
        len(oracle.changed),
        first,
        differences,
        int(record.cpu_address[at]) if at >= 0 else -1,
        bool(record.cpu_rw[at]) if at >= 0 else True,
    )


def _shows(case: Case, lines: Sequence[str], least: int) -> bool:
    """Whether the faults change enough, and removing any of several changes the capture."""
    start = case.conditions.start
    healthy = seen_on(case.run(()), lines, start=start)
    true = seen_on(case.run(case.faults), lines, start=start)
    if len(differing(true, healthy)) < least:
        return False
    for fault in case.faults if len(case.faults) > 1 else ():
        left = tuple(other for other in case.faults if other != fault)
        if not len(differing(true, seen_on(case.run(left), lines, start=start))):
            return False
    return True


def _read_seal(path: Path) -> dict[str, Any]:
    """The seal's values.

    Raises
    ------
    InputError
        There is none, or it is not as it was written.
    """
    advice = "name a folder that bustrace drill new wrote"
    try:
        if path.stat().st_size > 10_000:
            raise ValueError
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"this is no drill's folder: {error.strerror}", path=path, advice=advice
        ) from None
    except ValueError:
        raise InputError("this is not a drill's seal", path=path, advice=advice) from None
    kinds = {"format": int, "seed": int, "level": int, "capture": str, "version": str}
    good = set(values) == set(_KEYS) and all(type(values[k]) is kind for k, kind in kinds.items())
    if not good or values["format"] != 1 or values["level"] not in LEVELS:
        raise InputError("this is not a drill's seal", path=path, advice=advice)
    if not 0 <= values["seed"] <= LARGEST_SEED:
        raise InputError("there is no such seed", path=path, key="seed", advice=advice)
    return values
