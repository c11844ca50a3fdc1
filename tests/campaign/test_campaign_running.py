"""Resuming, and the same results whoever plays the cases."""

import json
from concurrent.futures import Executor, Future

import pytest

from bustrace.campaign import Plan, cluster, run_campaign
from bustrace.campaign import running as runs
from bustrace.campaign.results import ResultsFile
from bustrace.campaign.tables import report_lines
from bustrace.errors import InputError


@pytest.fixture
def counted(monkeypatch):
    """A stand-in for playing a case, and the cases played."""
    played = []

    def play(plan, kind, number):
        played.append((kind, number))
        return {"case": number, "kind": kind, "seed": plan.seed}

    monkeypatch.setattr(runs, "play", play)
    return played


def test_a_stopped_campaign_goes_on_where_it_was(plan, counted, tmp_path):
    path = tmp_path / "results.jsonl"
    first = run_campaign(plan, path, planted=3, healthy=1, workers=1)
    assert len(counted) == 4
    more = run_campaign(plan, path, planted=5, healthy=2, workers=1)
    assert counted[4:] == [("planted", 3), ("planted", 4), ("healthy", 1)]
    assert more[:3] == first[:3]
    assert [(r["kind"], r["case"]) for r in more] == [
        *(("planted", k) for k in range(5)),
        *(("healthy", k) for k in range(2)),
    ]
    assert len(path.read_text().splitlines()) == 8


def test_a_line_cut_short_is_played_again(plan, counted, tmp_path):
    path = tmp_path / "results.jsonl"
    run_campaign(plan, path, planted=3, healthy=0, workers=1)
    whole = path.read_bytes()
    path.write_bytes(whole[:-9])
    del counted[:]
    run_campaign(plan, path, planted=3, healthy=0, workers=1)
    assert counted == [("planted", 2)]
    assert path.read_bytes() == whole


def test_results_of_another_plan_are_not_mixed_in(plan, counted, tmp_path):
    path = tmp_path / "results.jsonl"
    run_campaign(plan, path, planted=1, healthy=0, workers=1)
    with pytest.raises(InputError, match="another seed or other boards"):
        ResultsFile(path, Plan(plan.seed + 1, plan.boards))


@pytest.mark.parametrize("text", ["PHI2,RES\n0,1\n", "[]\n", "no line end", '{"schema":"x"}\n'])
def test_another_file_is_not_written_over(plan, tmp_path, text):
    path = tmp_path / "results.jsonl"
    path.write_text(text)
    with pytest.raises(InputError, match="results"):
        ResultsFile(path, plan)
    assert path.read_text() == text


def test_progress_counts_what_was_there(plan, counted, tmp_path):
    path, told = tmp_path / "results.jsonl", []
    run_campaign(plan, path, planted=2, healthy=0, workers=1)
    run_campaign(
        plan, path, planted=4, healthy=0, workers=1, progress=lambda *now: told.append(now)
    )
    assert told == [(3, 4), (4, 4)]


class Backwards(Executor):
    """An executor that ends the last case handed in first."""

    def __init__(self):
        self.most = self.under_way = 0

    def submit(self, function, /, *arguments):
        self.under_way += 1
        self.most = max(self.most, self.under_way)
        future = Future()
        future.set_result(function(*arguments))
        self.under_way -= 1
        return future


def test_any_executor_gives_the_results_in_order(plan, counted, tmp_path):
    results = run_campaign(plan, tmp_path / "r.jsonl", planted=200, healthy=0, executor=Backwards())
    assert [r["case"] for r in results] == list(range(200))


@pytest.fixture(scope="module")
def alone(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("alone") / "results.jsonl"
    return run_campaign(plan, path, planted=5, healthy=1, workers=1)


@pytest.mark.slow
def test_one_worker_and_two_give_the_same_table(plan, alone, tmp_path):
    results = run_campaign(plan, tmp_path / "two.jsonl", planted=5, healthy=1, workers=2)
    assert results == alone
    assert not any("error" in result for result in results)
    assert list(report_lines(results)) == list(report_lines(alone))
    lines = (tmp_path / "two.jsonl").read_text().splitlines()
    assert len([json.loads(line) for line in lines]) == 7


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # the cluster's library is not ours to mend
def test_a_cluster_gives_the_same_results(plan, alone, tmp_path):
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
        ) as local,
        cluster(local.scheduler_address) as executor,
    ):
        results = run_campaign(
            plan, tmp_path / "cluster.jsonl", planted=5, healthy=1, executor=executor
        )
    assert results == alone
