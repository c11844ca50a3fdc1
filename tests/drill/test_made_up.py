"""Made-up boards are healthy, different, and do what healthy firmware does."""

import numpy as np
import pytest

from bustrace.board import load_board
from bustrace.capture import open_capture
from bustrace.cpu import CpuState, replay
from bustrace.drill import healthy_boots, make_board
from bustrace.drill.firmware import Code


@pytest.fixture(scope="module")
def boots(tmp_path_factory):
    return list(healthy_boots(tmp_path_factory.mktemp("boots"), 6, seed=1))


@pytest.mark.slow
def test_boots_run_to_their_main_loop_without_leaving_the_program(boots):
    """A replay of the reads agrees throughout, and the main loop is reached."""
    for boot in boots:
        run = boot.record
        assert boot.reaches_main_loop, boot.about
        assert run.faults == ()
        trace = replay(
            CpuState.at_reset("6502"),
            run.cpu_data,
            res=run.res,
            irq=run.irq,
            nmi=run.nmi,
            rdy=run.rdy,
            address=run.clip_address,
            data=run.clip_data,
            rw=run.rw,
            sync=run.sync,
        )
        assert trace.first_mismatch is None, boot.about
        # No opcode fetch outside ROM.
        chips = load_board(boot.board_path)
        rom = next(chip for chip in chips.mapped if chip.role == "rom")
        after = np.flatnonzero(run.cpu_address == 0xFFFD)[0]
        fetched = run.cpu_address[after:][run.sync[after:] == 1]
        assert chips.map.readers(rom.ref)[fetched].all(), boot.about


@pytest.mark.slow
def test_boots_differ_and_include_the_ugly_kinds(boots):
    assert len({boot.about for boot in boots}) == len(boots)
    assert len({boot.capture_path.suffix for boot in boots}) > 1
    probing = [boot for boot in boots if (boot.record.drivers == 0).sum() > 20]
    assert len(probing) >= 4


@pytest.mark.slow
def test_boots_on_disk_can_be_opened(boots):
    for boot in boots:
        capture = open_capture(boot.capture_path)
        assert len(capture) > 3000, boot.about


@pytest.mark.slow
def test_same_seed_same_files(tmp_path):
    pairs = [list(healthy_boots(tmp_path / name, 1, seed=5)) for name in ("one", "two")]
    for one, two in zip(*pairs, strict=True):
        assert one.capture_path.read_bytes() == two.capture_path.read_bytes()
        assert one.board_path.read_bytes() == two.board_path.read_bytes()


def test_many_made_up_boards_load(tmp_path):
    """Whatever is made up is a board file without complaints."""
    for seed in range(20):
        made = make_board(np.random.default_rng(seed))
        (tmp_path / "rom.bin").write_bytes(made.rom)
        path = tmp_path / "board.toml"
        path.write_text(made.toml)
        board = load_board(path)
        assert not board.map.doubled().any()
        vector = int.from_bytes(made.rom[-4:-2], "little")
        assert board.map.readers(board.mapped[1].ref)[vector]


def test_assembler_fills_in_labels_and_refuses_what_does_not_reach():
    """Bytes from the MCS6500 programming manual's opcode list: DEX CA, BNE D0, JMP 4C."""
    code = Code(0xE000)
    code.label("start")
    code.op("DEX")
    code.op("BNE", "rel", "start")
    code.op("JMP", "jump", "end")
    code.label("end")
    assert code.finish() == bytes([0xCA, 0xD0, 0xFD, 0x4C, 0x06, 0xE0])
    for _ in range(70):
        code.op("LDA", "imm", 0)
    code.op("BNE", "rel", "start")
    with pytest.raises(ValueError, match="does not reach"):
        code.finish()
