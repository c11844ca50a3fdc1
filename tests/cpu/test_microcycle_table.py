import ast
import inspect
from pathlib import Path

import numpy as np
import pytest

from bustrace.cpu import (
    VARIANTS,
    Opcode,
    Variant,
    _kernels,
    microcycles,
    mnemonics,
    opcodes,
    variants,
)
from bustrace.cpu.executor import REGISTERS
from bustrace.cpu.replaying import SequenceKind, StopReason
from bustrace.errors import InputError


def numbered(prefix):
    """Names of the kernels' constants with this prefix, by number, without the prefix."""
    named = {n: v for n, v in vars(_kernels).items() if n.startswith(prefix) and n.isupper()}
    return [
        name.removeprefix(prefix) for name, _ in sorted(named.items(), key=lambda item: item[1])
    ]


def spelled(words, nothing):
    """Words of the table, spelled as the kernels spell their constants."""
    replace = {"+": "_", "/": "_", ".": "_", ":": "_"}
    result = []
    for word in words:
        for old, new in replace.items():
            word = word.replace(old, new)
        result.append(word.upper() or nothing)
    return result


def test_kernel_numbers_are_those_of_the_vocabularies():
    assert numbered("AT_") == spelled(microcycles.ADDRESSES, "")
    assert numbered("ACC_") == [
        w.removeprefix("W_").replace("R", "READ", w == "R")
        for w in spelled(microcycles.ACCESSES, "")
    ]
    assert [n.replace("_AND", "&HIGH") for n in numbered("DO_")] == spelled(
        microcycles.ACTIONS, "NOTHING"
    )
    assert len(numbered("COUNT_")) == len(microcycles.COUNTS)
    assert len(numbered("END_")) == len(microcycles.ENDS)
    assert len(numbered("POLL_")) == len(microcycles.POLLS)
    with_rules = ("ADC", "ANC", "ARR", "BIT", "BRK", "PLP", "SBC", "SBX")
    for name in (*with_rules, "BBR", "BBS", "RMB", "SMB", "TRB", "TSB"):
        assert mnemonics.OPERATIONS[getattr(_kernels, name)] == name
    assert (_kernels.HAS_CMOS, _kernels.HAS_PORT) == (variants.CMOS, variants.PORT)
    for name in ("ADDRESS_MASK_AT", "FEATURES_AT", "OPCODES_AT", "MEANINGS_AT", "MODES_AT"):
        assert getattr(_kernels, name) == getattr(variants, name)
    for variant in VARIANTS:
        assert list(variant.modes())[:2] == ["fetch", "held in reset"]
    assert _kernels.HELD - _kernels.FETCH == microcycles.MODE_SLOTS
    for kind in SequenceKind:
        assert getattr(_kernels, f"KIND_{kind.name}") == kind
    for reason in StopReason:
        assert getattr(_kernels, reason.name) == reason
    for register, field in zip(REGISTERS, ("PC", "A", "X", "Y", "S", "P"), strict=True):
        assert register.upper() == field
        assert getattr(_kernels, field) == 2 * REGISTERS.index(register)


def test_kernels_take_no_constant_from_another_file():
    """A kernel kept on disk would go on with the old value."""
    tree = ast.parse(Path(inspect.getsourcefile(_kernels)).read_text())
    imported = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    assert imported == {"annotations", "numpy", "compiled", "compiled_part"}


def test_packed_fields_do_not_overlap_and_survive_packing():
    for cycles in (cycles for part in VARIANTS for cycles in part.modes().values()):
        for cycle in cycles:
            packed = cycle.packed()
            shifts = microcycles.FIELD_SHIFTS
            assert microcycles.ADDRESSES[packed >> shifts["address"] & 15] == cycle.address
            assert microcycles.ACCESSES[packed >> shifts["access"] & 7] == cycle.access
            assert microcycles.ACTIONS[packed >> shifts["action"] & 31] == cycle.action
            assert microcycles.COUNTS[packed >> shifts["count"] & 3] == cycle.count
            assert microcycles.ENDS[packed >> shifts["end"] & 15] == cycle.end
            assert microcycles.POLLS[packed >> shifts["poll"] & 3] == cycle.poll


def test_151_documented_and_105_undocumented_opcodes():
    """MCS6500 Hardware Manual, appendix A: 56 mnemonics, 151 opcodes."""
    matrix = opcodes.nmos_matrix()
    assert [o.opcode for o in matrix] == list(range(256))
    documented = [o for o in matrix if o.documented]
    assert len(documented) == 151
    assert len({o.mnemonic for o in documented}) == 56


def test_every_line_of_the_table_is_used():
    named = set()
    for variant in VARIANTS:
        used = {o.microcycles for o in variant.opcodes()}
        assert used <= set(variant.modes())
        assert set(variant.mode_overrides) <= used | {"abs,x shift", "wait", "stop", "bit branch"}
        named |= {o.operation for o in variant.opcodes()}
    nmos = {o.microcycles for o in opcodes.nmos_matrix()}
    assert set(VARIANTS[0].modes()) - nmos == {"fetch", "held in reset"}
    wdc = variants.variant_named("W65C02S")
    assert set(wdc.mode_overrides) <= {o.microcycles for o in wdc.opcodes()}
    assert named == set(mnemonics.OPERATIONS)


def test_another_cpu_is_overrides_of_the_one_table():
    """Say, a part with 13 address pins whose read-modify-write reads twice and writes once."""
    part = Variant(
        "other",
        address_bits=13,
        opcode_overrides={0x1A: Opcode(0x1A, "INC", "acc", "modify")},
        mode_overrides={"zp modify": "pc R low pc+ | ad R latch | ad R modify | ad W:latch"},
    )
    assert part.opcodes()[0x1A].mnemonic == "INC"
    assert part.opcodes()[0x1B] == opcodes.nmos_matrix()[0x1B]
    assert [c.access for c in part.modes()["zp modify"]] == ["R", "R", "R", "W:latch"]
    assert part.modes()["abs modify"] == VARIANTS[0].modes()["abs modify"]
    assert list(part.modes()) == list(VARIANTS[0].modes())


def test_packed_table_is_int32_and_cannot_be_written():
    table = variants.packed_table()
    assert table.dtype == np.int32
    assert table.shape[0] == len(VARIANTS)
    with pytest.raises(ValueError, match="read-only"):
        table[0, 0] = 1


@pytest.mark.parametrize("name", ["6502", "6502A", "6502b", "MOS 6502", "nmos-6502"])
def test_parts_are_found_by_any_mark(name):
    assert variants.variant_named(name).name == "6502"


def test_an_unknown_part_names_what_there_is():
    with pytest.raises(InputError, match="unknown CPU") as caught:
        variants.variant_named("6052")
    assert caught.value.found == "6052"
    assert "6502" in caught.value.message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pc R lwo", "unknown word"),
        ("px R low", "unknown address"),
        ("pc Q low", "unknown address or access"),
        ("pc R low high", "two action"),
        ("|".join(["pc R"] * 9), "more than 8"),
    ],
)
def test_a_wrong_line_is_refused(text, message):
    with pytest.raises(ValueError, match=message):
        microcycles.parse_mode(text)


def test_a_mode_or_an_opcode_named_twice_is_refused():
    with pytest.raises(ValueError, match="named twice"):
        microcycles.parse_table("a : pc R\na : pc R")
    with pytest.raises(ValueError, match="named twice"):
        opcodes.parse_opcodes("LDA read A9:imm A9:imm", documented=True, stable=True)
    with pytest.raises(ValueError, match="unknown mode"):
        opcodes.parse_opcodes("LDA read A9:immediate", documented=True, stable=True)
