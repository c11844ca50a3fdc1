"""Boards whose bus is taken from the CPU: stolen cycles are no fault and no evidence."""

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import run

from bustrace.cycles import OWNER_FOREIGN
from bustrace.diagnosis import diagnose
from bustrace.drill import BusRecord, line_names, sample
from bustrace.findings import Finding
from bustrace.reading import Reading, read_boot

pytestmark = pytest.mark.slow


def stolen(record: BusRecord, every: int, length: int, line: str) -> tuple[BusRecord, np.ndarray]:
    """Put `length` cycles before a read of the CPU, whenever `every` of its own have passed.

    RDY holds the CPU, which repeats its read; another line takes the bus, and somebody reads the
    RAM. The line is clipped in NMI's place. BA falls three cycles before, in which the CPU writes
    what it has to write and then repeats its read.
    """
    picked, taken, announced, last = [], [], [], 30
    for cycle in range(len(record)):
        if cycle - last >= every and record.cpu_rw[cycle] == 1:
            writes = 0
            while record.cpu_rw[cycle - writes - 1] == 0:
                writes += 1
                announced[-writes] = True
            notice = 3 - writes if line == "BA" else 0
            picked += [cycle] * (notice + length)
            taken += [False] * notice + [True] * length
            announced += [True] * (notice + length)
            last = cycle
        picked.append(cycle)
        taken.append(False)
        announced.append(False)
    mine = np.array(taken)
    columns = {
        name: getattr(record, name)[picked].copy()
        for name in record.__dataclass_fields__
        if isinstance(getattr(record, name), np.ndarray)
    }
    if line == "RDY":
        columns["rdy"][mine] = 0
        return replace(record, **columns), mine
    where = (0x0200 + np.cumsum(mine) % 900).astype(np.uint16)[mine]
    random = np.random.default_rng(1)
    table = record.board.map
    for name in ("cpu_address", "clip_address"):
        columns[name][mine] = where
    columns["selects"][mine] = table.asserts[1, where]
    columns["drivers"][mine] = table.responds[1, where]
    for name in ("cpu_data", "clip_data", "bus_data"):
        columns[name][mine] = random.integers(0, 256, len(where), dtype=np.uint8)
    low = np.array(announced) if line == "BA" else mine
    columns["nmi"] = np.where(low, 0, 1).astype(np.uint8)
    return replace(record, **columns), mine


def read_stolen(
    line: str, every: int, length: int, *faults: str, cycles: int = 5000
) -> tuple[Reading, np.ndarray]:
    record, mine = stolen(run(*faults, cycles=cycles), every, length, line)
    dropped = "NMI" if line == "RDY" else "RDY"
    lines = [name for name in line_names(record) if name != dropped]
    capture = sample(record, rate=16_000_000, seed=2, lines=lines)
    return read_boot(capture, record.board, {} if line == "RDY" else {"NMI": line}), mine


def worse_than_notes(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings if finding.severity != "note"]


@pytest.mark.parametrize(("every", "length"), [(23, 40), (3, 1)])
@pytest.mark.parametrize("line", ["RDY", "AEC", "BE", "BA"])
def test_stolen_cycles_on_a_board_that_runs_are_no_fault(line, every, length) -> None:
    """A line of a display of 40 cycles, and a display that takes one in four."""
    reading, mine = read_stolen(line, every, length)
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "no fault seen", diagnosis.summary
    # The board file declares no hold, which may be asked about.
    assert set(worse_than_notes(diagnosis.findings)) <= {"bus-taken"}
    assert "fault" not in {finding.severity for finding in diagnosis.findings}
    assert mine.sum() > 300
    foreign = int((reading.cycles.owner == OWNER_FOREIGN).sum())
    if line in ("AEC", "BE"):
        assert abs(foreign - int(mine.sum())) <= 1  # the capture's first cycle is half in view


def test_a_fault_is_found_among_stolen_cycles_and_counted_without_them() -> None:
    reading, mine = read_stolen("AEC", 23, 40, "stuck:D3=0@read", cycles=2500)
    diagnosis = diagnose(reading)
    assert str(diagnosis.suspects[0].fault) == "stuck:D3=0@read"
    own = len(reading.cycles) - int(mine.sum())
    assert all(
        finding.opportunities <= own
        for finding in diagnosis.findings
        if finding.severity == "fault"
    )


def test_a_clip_of_aec_that_is_off_hides_nothing() -> None:
    record = replace(run(cycles=5000), nmi=np.zeros(5000, np.uint8))
    capture = sample(record, rate=16_000_000, seed=2)
    diagnosis = diagnose(read_boot(capture, record.board, {"NMI": "AEC"}))
    assert diagnosis.verdict == "no fault seen"
