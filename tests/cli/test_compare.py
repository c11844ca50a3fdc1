"""`bustrace compare`: codes, options, mistakes."""

import json

import pytest

pytestmark = pytest.mark.slow


def test_codes_tell_whether_boots_diverge(run, board, capture):
    good = capture("healthy")
    assert run("compare", good, good, "--board", board).exit_code == 0
    found = run("compare", good, capture("rom_plane"), "--board", board)
    assert found.exit_code == 1
    assert found.stdout.startswith("DIVERGENCE in cycle ")
    assert run("compare", good, capture("triage"), "--board", board).exit_code == 3
    assert run("compare", good, "missing.vcd", "--board", board).exit_code == 2


def test_the_rom_image_stands_for_a_good_boot(run, board, capture):
    assert run("compare", "--rom", capture("healthy"), "--board", board).exit_code == 0
    found = run("compare", "--rom", capture("rom_content"), "--board", board, "--json")
    document = json.loads(found.stdout)
    assert (found.exit_code, document["exit_code"], document["good"]) == (1, 1, None)


def test_the_number_of_captures_is_checked(run, board, capture):
    good = capture("healthy")
    for words in ((good,), (good, good, good), ("--rom", good, good)):
        found = run("compare", *words, "--board", board)
        assert found.exit_code == 2
        assert "capture" in found.output


def test_a_clip_told_for_one_capture_does_not_trouble_the_other(run, board, capture):
    """The channels of one export have names of their own; a name in neither is an error."""
    channels = capture("healthy_channels")
    from bustrace import load_board, open_capture, read_boot

    assert "CH0" in open_capture(channels).lines
    lines = [f"--line={name}" for name in _clips(channels)]
    found = run("compare", capture("healthy"), channels, "--board", board, *lines)
    assert found.exit_code == 0, found.output
    assert read_boot(open_capture(channels), load_board(board)).program.method == "none"
    wrong = run("compare", capture("healthy"), channels, "--board", board, "--line=CH99=A0")
    assert wrong.exit_code == 2
    assert "CH99" in wrong.output


def _clips(channels):
    expected = json.loads((channels.parent / "expected.json").read_text(encoding="utf-8"))
    return [f"{line}={pin}" for line, pin in expected["hookup"].items()]


def test_the_picture_is_written(run, board, capture, tmp_path):
    found = run("compare", capture("healthy"), capture("ram_a1_open"), "--board", board,
                "--picture", "side.png")  # fmt: skip
    assert found.exit_code == 1
    assert (tmp_path / "side.png").stat().st_size > 10_000
    assert "Picture: side.png" in found.stderr
    assert run("compare", "--rom", capture("healthy"), "--board", board,
               "--picture", "side.txt").exit_code == 2  # fmt: skip
