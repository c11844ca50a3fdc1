"""The assembler against an assembler and a disassembler from elsewhere."""

import re
from pathlib import Path

import pytest
from py65.devices.mpu65c02 import MPU as Cmos
from py65.devices.mpu6502 import MPU as Nmos

from bustrace.cpu import variant_named
from bustrace.drill.assembler import SourceError, assemble, opcode_numbers

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def test_the_tide_gauge_comes_out_as_ca65_made_it():
    """`tide_gauge.bin` was made by ca65 and ld65 (its ORIGIN.md); ours gives the same 8 KB."""
    text = (FIXTURES / "tide_gauge" / "tide_gauge.s").read_text(encoding="utf-8")
    starts = {"CODE": 0xE000, "TABLES": 0xF000, "SUM": 0xF100, "VECTORS": 0xFFFA}
    for name, start in starts.items():
        text = text.replace(f'.segment "{name}"', f".org ${start:04X}")
    text = text.replace('.setcpu "6502"', "")
    made = assemble(text).image(0xE000, 0x2000)
    assert made == (FIXTURES / "tide_gauge" / "tide_gauge.bin").read_bytes()


OPERANDS = {
    "imp": "", "acc": "a", "push": "", "pull": "", "rts": "", "rti": "", "break": "",
    "imm": "#$12", "zp": "$12", "zp,x": "$12,x", "zp,y": "$12,y", "abs": "$3456",
    "abs,x": "$3456,x", "abs,y": "$3456,y", "(zp,x)": "($12,x)", "(zp),y": "($12),y",
    "(zp)": "($12)", "rel": "$0010", "jump": "$3456", "(jump)": "($3456)", "call": "$3456",
    "(abs,x)": "($3456,x)", "zp,rel": "$12,$0010", "wait": "", "stop": "",
}  # fmt: skip


@pytest.mark.parametrize(("variant", "mpu"), [("6502", Nmos), ("65C02", Cmos)])
def test_every_documented_instruction_has_the_opcode_that_py65_knows(variant, mpu):
    """py65's table of names: BIT 89 immediate and JMP (abs,X) included."""
    theirs = {name.upper() for name, _ in mpu.disassemble}
    for (mnemonic, mode), opcode in opcode_numbers(variant).items():
        operand = OPERANDS["(abs,x)" if mnemonic == "JMP" and mode == "abs,x" else mode]
        made = assemble(f".org $0000\n{mnemonic} {operand}", variant).content
        assert made[0] == opcode, (mnemonic, mode)
        assert mpu.disassemble[opcode][0].upper() == mnemonic, (mnemonic, mode)
    assert {mnemonic for mnemonic, _ in opcode_numbers(variant)} <= theirs


def test_single_bit_instructions_of_the_w65c02s():
    """W65C02S sheet, table 5-1: RMBn 07 + 10n, SMBn 87 + 10n, BBRn 0F + 10n, BBSn 8F + 10n."""
    made = assemble(".org $C000\nhere: rmb3 $21\nsmb0 $22\nbbr7 $23,here\nbbs1 $24,here", "W65C02S")
    assert made.image(0xC000, 10) == bytes.fromhex("37 21 87 22 7F 23 F9 9F 24 F6")


def test_values_and_local_labels():
    made = assemble(
        """
        FIRST = $10
        TOP   = (FIRST+2)*2-%100        ; 32
                .org $E000
        one:    lda #<table
        @next:  ldx FIRST,y
                bne @next
        two:    sta later               ; not known yet: absolute
        @next:  bcc @next
        later = $12
        table:  .byte TOP, 'A', "b,;c", >table
                .word table, *
                .res 2, $55
        """
    )
    assert made.image(0xE000, 24) == bytes.fromhex(
        "A9 0B B6 10 D0 FC 8D 12 00 90 FE 20 41 62 2C 3B 63 E0 0B E0 14 E0 55 55"
    )
    assert made.labels["table"] == 0xE00B


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("lda nothing", "line 1: unknown name nothing"),
        ("lda #300", "300 does not fit"),
        ("bne $0100", "out of the branch's reach"),
        ("stz $00", "this CPU has no STZ"),
        ("lda ($10)", "LDA takes no"),
        ("inx #1", "INX takes no"),
        ("lda", "LDA needs an operand"),
        (".bank 1", "unknown directive .bank"),
        ("one: nop\none: nop", "line 2: one is named twice"),
        ("nop\n.org $0000\nnop", "line 3: $0000 is set twice"),
        ("lda #(1", "not closed"),
        ("lda #1+", "a value is missing"),
        ("lda #?", "this is no value"),
        ("= 3", "this is no statement"),
    ],
)
def test_what_cannot_be_assembled_is_refused_with_its_line(line, says):
    with pytest.raises(SourceError, match=re.escape(says)):
        assemble(line)


def test_bytes_outside_the_rom_are_refused():
    with pytest.raises(ValueError, match=r"\$DFFF lies outside"):
        assemble(".org $DFFF\nnop").image(0xE000, 16)


def test_opcodes_come_from_the_cpus_own_table():
    assert variant_named("W65C02S").opcodes()[0x64].mnemonic == "STZ"
    assert ("STZ", "zp") not in opcode_numbers("6502")
