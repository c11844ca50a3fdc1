"""The lessons run from top to bottom, say what they should, and are kept without outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import bustrace

SOURCE_TREE = Path(bustrace.__file__).resolve().parents[1]
LESSONS = sorted((SOURCE_TREE / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module", params=LESSONS, ids=lambda path: path.stem)
def lesson(request, tmp_path_factory):
    """A lesson, as it is kept and as it ran."""
    kept = nbformat.read(request.param, as_version=4)
    ran = nbformat.from_dict(kept)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(SOURCE_TREE))
        patch.setenv("IPYTHONDIR", str(tmp_path_factory.mktemp("ipython")))
        patch.setenv("PYTHONWARNINGS", "error")
        NotebookClient(
            ran, timeout=300, resources={"metadata": {"path": str(SOURCE_TREE / "notebooks")}}
        ).execute()
    return request.param, kept, ran


def outputs(ran, kind):
    for cell in ran.cells:
        for output in cell.get("outputs", ()):
            if kind in output.get("data", {}):
                yield output["data"][kind]


def test_there_are_four_lessons():
    assert len(LESSONS) == 4


@pytest.mark.slow
def test_lessons_are_kept_without_outputs(lesson):
    _, kept, _ = lesson
    for cell in kept.cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


@pytest.mark.slow
def test_every_lesson_shows_pictures_and_tables_without_a_complaint(lesson):
    _, _, ran = lesson
    assert len(list(outputs(ran, "image/png"))) >= 2
    for cell in ran.cells:
        for output in cell.get("outputs", ()):
            assert output.get("name") != "stderr", output


@pytest.mark.slow
def test_values_show_themselves(lesson):
    path, _, ran = lesson
    tables = "\n".join(outputs(ran, "text/html"))
    expected = {
        "1_one_bus_cycle": ["PHI2", "bus cycles", "Tide-gauge display", "where SYNC is high"],
        "2_reset_to_first_instruction": [],
        "4_a_good_boot_beside_a_bad_one": [],
        "3_dead_board_to_verdict": ["FAULT", "not connected to U4", "NO FAULT SEEN"],
    }[path.stem]
    for words in expected:
        assert words in tables
