import pytest

from bustrace.cpu import instruction_length, instruction_text, opcode_info
from bustrace.errors import InputError


@pytest.mark.parametrize(
    ("bytes_", "text"),
    [
        ((0xEA,), "NOP"),
        ((0x0A,), "ASL A"),
        ((0xA9, 0x0F), "LDA #$0F"),
        ((0x85, 0x10), "STA $10"),
        ((0xB5, 0x10), "LDA $10,X"),
        ((0xB6, 0x10), "LDX $10,Y"),
        ((0xAD, 0x34, 0x12), "LDA $1234"),
        ((0xBD, 0x34, 0x12), "LDA $1234,X"),
        ((0xB9, 0x34, 0x12), "LDA $1234,Y"),
        ((0xA1, 0x10), "LDA ($10,X)"),
        ((0xB1, 0x10), "LDA ($10),Y"),
        ((0x4C, 0x00, 0x80), "JMP $8000"),
        ((0x6C, 0xFC, 0xFF), "JMP ($FFFC)"),
        ((0x20, 0x00, 0x80), "JSR $8000"),
        ((0xD0, 0xFE), "BNE $8000"),
        ((0xD0, 0x10), "BNE $8012"),
        ((0x00, 0x42), "BRK"),
        ((0x60,), "RTS"),
        ((0x02,), "JAM"),
        ((0x93, 0x10), "SHA ($10),Y"),
    ],
)
def test_text_is_what_an_assembler_takes(bytes_, text):
    assert instruction_text("6502", bytes_[0], bytes_[1:], pc=0x8000) == text
    assert instruction_length("6502", bytes_[0]) == len(bytes_)


def test_unknown_operand_bytes_show_as_question_marks():
    assert instruction_text("6502", 0xAD, (None, 0x12)) == "LDA $12??"
    assert instruction_text("6502", 0xAD, (0x34,)) == "LDA $??34"
    assert instruction_text("6502", 0xA9) == "LDA #$??"
    assert instruction_text("6502", 0xD0, (None,)) == "BNE $????"


def test_symbols_replace_addresses_but_not_immediates():
    symbols = {0x10: "count", 0x1234: "table", 0x8000: "loop"}
    assert instruction_text("6502", 0xBD, (0x34, 0x12), symbols=symbols) == "LDA table,X"
    assert instruction_text("6502", 0xB1, (0x10,), symbols=symbols) == "LDA (count),Y"
    assert instruction_text("6502", 0xD0, (0xFE,), pc=0x8000, symbols=symbols) == "BNE loop"
    assert instruction_text("6502", 0xA9, (0x10,), symbols=symbols) == "LDA #$10"


def test_branch_target_wraps_at_the_end_of_memory():
    assert instruction_text("6502", 0xD0, (0x10,), pc=0xFFF8) == "BNE $000A"


def test_a_wrong_opcode_or_cpu_is_refused():
    with pytest.raises(ValueError, match="256"):
        opcode_info("6502", 256)
    with pytest.raises(InputError, match="6502"):
        opcode_info("6803", 0)
    assert opcode_info("6502a", 0).mnemonic == "BRK"
