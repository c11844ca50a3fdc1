"""One case from the draw to the score."""

from __future__ import annotations

import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bustrace.campaign.boards import loaded
from bustrace.campaign.by_chance import healthy_by_chance
from bustrace.campaign.cases import Case, Kind, Plan, draw_case, lines_of
from bustrace.campaign.mending import Work, advised, work_until_mended
from bustrace.campaign.oracle import Oracle
from bustrace.campaign.scoring import Classes, count_as_two, first_classes, score
from bustrace.campaign.seen import differing, seen_on
from bustrace.capture import Capture, open_capture
from bustrace.diagnosis import Diagnosis, diagnose
from bustrace.drill import BusRecord, export, is_same_block, sample
from bustrace.faults import Fault
from bustrace.reading import read_boot

Result = dict[str, Any]
"""One line of a results file; the keys are told in `docs/drill.md`."""


def play(plan: Plan, kind: Kind, number: int) -> Result:
    """Draw a case, simulate it, export it, read it back, diagnose it, score the answer.

    Never raises: what goes wrong in reading or judging is the case's result, under ``error``.
    """
    return play_case(draw_case(plan, kind, number))


def play_case(case: Case) -> Result:
    """The same for a case that stands already."""
    result: Result = {
        "case": case.number,
        "kind": case.kind,
        "board": case.files.name,
        "line_set": case.line_set,
        "cycles": case.cycles,
        "start": case.conditions.start,
        "nuisances": case.nuisances,
        "rom_known": case.rom_known,
        "planted": [str(fault) for fault in case.faults],
        "ways": [str(planting) for planting in case.plantings],
        "lasting": all(planting.when.permanent for planting in case.plantings),
    }
    try:
        return result | (_healthy(case) if case.kind == "healthy" else _planted(case))
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        told = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
        return result | {"error": told}


def _healthy(case: Case) -> Result:
    diagnosis = judge(case, case.run(()))
    # A clip that is off is no fault of the board, but this one sits well.
    alarms = [f"{f.rule}: {f.text}" for f in diagnosis.findings if f.severity == "fault"]
    alarms += [str(suspect.fault) for suspect in diagnosis.suspects]
    other = _other_content(case)
    if other and (not diagnosis.suspects or diagnosis.suspects[0].fault == other):
        alarms = []
    return {"verdict": diagnosis.verdict, "alarms": alarms}


def _other_content(case: Case) -> Fault | None:
    """What is true besides: a ROM does not have the image that the board file names."""
    revision = case.conditions.ugly.other_revision
    return Fault("content", chip=revision) if revision and case.rom_known else None


def _planted(case: Case) -> Result:
    start = case.conditions.start
    healthy_run = case.run(())
    lines = lines_of(healthy_run, case.line_set)
    healthy = seen_on(healthy_run, lines, start=start)
    record = case.run(case.faults)
    truth, true = case.faults, seen_on(record, lines, start=start)
    if len(truth) == 2:
        alone = {fault: seen_on(case.run((fault,)), lines, start=start) for fault in truth}

        def differs_without(fault: Fault) -> bool:
            (left,) = (alone[other] for other in case.faults if other != fault)
            return bool(len(differing(true, left)))

        truth = count_as_two(*truth, differs_without)
        true = true if len(truth) == 2 else alone[truth[0]]
    oracle = Oracle(case, truth, lines, true, healthy)
    told: Result = {"truth": [str(fault) for fault in truth], "differing": len(oracle.changed)}
    if not told["differing"] or healthy_by_chance(case, lines, true):
        return told | {"differing": 0}
    diagnosis = judge(case, record)
    answer = by_planted_names(classes_of(diagnosis), case)
    other = _other_content(case)
    answer = [group for group in answer if group[0] != other or set(truth) & set(group)]
    named = [fault for group in answer[: len(truth)] for fault in group]
    scored = score(
        truth,
        answer,
        oracle_size=lambda fault, wanted: oracle.size(fault, wanted, named),
        alike=oracle.alike,
        said_fault=diagnosis.verdict == "fault",
    )
    told |= {
        "first_differing": int(oracle.changed[0]) + start,
        "verdict": diagnosis.verdict,
        "answer": [[str(fault) for fault in group] for group in first_classes(truth, answer)],
        "probability": round(diagnosis.suspects[0].probability, 4) if answer else None,
        "right": scored.right,
        "named": scored.named,
        "as_good": scored.as_good,
        "in_three": scored.in_three,
        "place": scored.place,
        "missed": scored.missed,
        "size": scored.size,
    }
    if len(truth) == 1:
        board = loaded(case.files)
        told["advised"] = _work(work_until_mended(truth[0], advised(answer, board), board))
        told["easiest"] = _work(work_until_mended(truth[0], (), board))
    return told


def by_planted_names(answer: Classes, case: Case) -> list[tuple[Fault, ...]]:
    """An answer in which each planted row or column of cells goes by its planted name: it is as
    well called by any other of its cells.
    """
    board = loaded(case.files)

    def planted(named: Fault) -> Fault:
        mine = (each.fault for each in case.plantings if is_same_block(board, each, named))
        return next(mine, named)

    return [tuple(dict.fromkeys(map(planted, group))) for group in answer]


def classes_of(diagnosis: Diagnosis) -> list[tuple[Fault, ...]]:
    """The answer's classes, the likeliest first."""
    return [tuple(dict.fromkeys((s.fault, *s.alike))) for s in diagnosis.suspects]


def judge(case: Case, record: BusRecord) -> Diagnosis:
    """Record a run as the case has it, read the export back, diagnose it."""
    with tempfile.TemporaryDirectory() as folder:
        how = case.conditions
        path = Path(folder) / f"capture.{how.dialect.split()[0]}"
        export(recorded(case, record), path, how.dialect, naming=how.naming)
        capture = open_capture(path)
    return diagnose(read_boot(capture, case.described()))


def recorded(case: Case, record: BusRecord) -> Capture:
    """The run as the case's analyser takes it."""
    how = case.conditions
    return sample(
        record,
        rate=how.rate,
        seed=case.seed,
        lines=lines_of(record, case.line_set),
        skew_ps=how.skew_ps,
        noise=how.noise,
        start_cycle=min(how.start, max(len(record) - 1, 0)),
        lead_cycles=how.lead_cycles,
        chatter=how.chatter,
        trigger=how.trigger,
        contention=how.ugly.contention,
        drift=how.ugly.drift,
    )


def _work(work: Work) -> Sequence[int]:
    return [work.pulls, work.captures, work.probes]
