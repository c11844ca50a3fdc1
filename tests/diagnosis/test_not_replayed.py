"""What the weighing does not replay, or not to the end: it must not make a difference."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from drill_readings import FIXTURES, read, run, tide_gauge

from bustrace.board import load_board
from bustrace.diagnosis.gains import score
from bustrace.diagnosis.hypotheses import enumerate_hypotheses
from bustrace.diagnosis.joining import join
from bustrace.diagnosis.same_answers import SameAnswers
from bustrace.drill import Occurrence, Planting, make_io_board
from bustrace.faults import Fault
from bustrace.findings import HEALTHY, BoardReplay, gather

pytestmark = pytest.mark.slow

COLUMNS = ("expected", "expected_known", "drivers", "bank", "cost", "taken")
CYCLES = 2000

BOOTS = {
    "a bank of one-bit RAMs": ("departure", Planting(Fault.parse("plane:U20.0"), "low")),
    "I/O chips that get other accesses": ("made up", Planting(Fault.parse("open:A1@U6"))),
    "a contact": (
        "tide gauge",
        Planting(Fault.parse("stuck:A3=1@U5"), "plain", Occurrence(0, 0.1, 8)),
    ),
    "from half of the run on": (
        "tide gauge",
        Planting(Fault.parse("stuck:D2=1@bus"), "plain", Occurrence(CYCLES // 2)),
    ),
    "nothing wrong": ("departure", None),
}


def _board(name, folder):
    if name == "tide gauge":
        return tide_gauge()
    if name == "departure":
        return load_board(FIXTURES / "departure_board" / "board.toml")
    made = make_io_board(np.random.default_rng(3))
    (folder / "board.toml").write_text(made.toml)
    (folder / "rom.bin").write_bytes(made.rom)
    return load_board(folder / "board.toml")


@pytest.fixture(params=BOOTS)
def evidence(request, tmp_path):
    name, planting = BOOTS[request.param]
    faults = [planting] if planting else []
    record = run(*faults, board=_board(name, tmp_path), seed=3, cycles=CYCLES)
    return gather(read(record, seed=3))


def _some(evidence, count, seed):
    """Some hypotheses, drawn at random."""
    return Random(seed).sample(enumerate_hypotheses(evidence), count)


def _joined(hypotheses):
    """What two of them do together, or one where they speak of the same thing."""
    pairs = zip(hypotheses[::2], hypotheses[1::2], strict=True)
    return [join(a.assumption, b.assumption) or a.assumption for a, b in pairs]


def _same(one, other):
    alike = all(np.array_equal(getattr(one, name), getattr(other, name)) for name in COLUMNS)
    return alike and (one.total, one.gain, one.onset) == (other.total, other.gain, other.onset)


@pytest.mark.parametrize("first", [0, 700])
def test_plain_reads_are_passed_over_as_if_they_were_replayed(evidence, first):
    """All columns are the same with every cycle looked at closely."""
    replay = evidence.replay
    hypotheses = _some(evidence, 240, 1)
    assumptions = [HEALTHY, *(h.assumption for h in hypotheses[:120]), *_joined(hypotheses)]
    passed = [replay.replay(each, first=first) for each in assumptions]
    assert (replay._plain[replay.read == 1] != 0).mean() > 0.5
    replay._plain = np.zeros_like(replay._plain)
    for assumption, answers in zip(assumptions, passed, strict=True):
        assert _same(answers, replay.replay(assumption, first=first)), assumption


def test_what_stands_in_for_others_answers_as_they_do(evidence):
    same = SameAnswers(evidence)
    hypotheses = enumerate_hypotheses(evidence)
    given = next(h.assumption for h in hypotheses if h.assumption.data_pin_chip >= 0)
    alone = {h.assumption for h in hypotheses}
    both = {joined for each in alone if (joined := join(given, each)) is not None}
    pairs = [(each, same.stand_in(each)) for each in (*alone, *both)]
    others = [pair for pair in pairs if pair[0] != pair[1]]
    assert len(others) > 200
    for each, stand_in in Random(1).sample(others, 150):
        assert _same(evidence.replay.replay(each), evidence.replay.replay(stand_in)), each


def test_nothing_that_would_stay_is_dropped_on_the_way(evidence, monkeypatch):
    """With every hypothesis replayed to the end the same ones stay, with the same gains; beside a
    fault that is given, too.
    """
    hypotheses = _some(evidence, 400, 2)
    found = score(evidence, hypotheses, HEALTHY, 5.0)
    best = max(found, key=lambda scored: scored.weight_bits, default=None)
    for given in {HEALTHY, best.hypothesis.assumption if best else HEALTHY}:
        for floor in (5.0, 30.0):
            stopped = score(evidence, hypotheses, given, floor)
            with monkeypatch.context() as patch:
                patch.setattr(BoardReplay, "replay_while", lambda self, does, *_: self.replay(does))
                assert score(evidence, hypotheses, given, floor) == stopped
