"""What people call a pin. The forms are common practice, collected from schematics' habits,
makers' sheets and analyser exports."""

import pytest

from bustrace.hookup import meaning_of

FORMS = {
    "A0": "A0, A00, a0, AB0, AB[0], ADDR[0], addr_bus[0], Address 0, ADDR0, address[0], CPU_A0",
    "A13": "A13, AB13, AB[13], ADDR[13], Address 13, adr13, A(13), A<13>, top.cpu.A[13]",
    "D0": "D0, D00, d0, DB0, DATA[0], Data 0, data0, dbus[0], DATA_0, cpu.D0",
    "D7": "D7, D07, DB7, DB[7], DATA[7], Data 7",
    "PHI2": "PHI2, phi2, P2, Phase 2, 02, PH2, O2, Ø2, φ2, PHI2OUT, Phi 2, ph2out, CLK, clock",
    "PHI1": "PHI1, phi1, P1, Phase 1, PH1, ø1",
    "PHI0": "PHI0, phi0, Phase 0, PHI0IN, CLKIN",
    "RW": "R/W, RW, R_W, RnW, r/w, RWB, Read/Write, R/-W, R/W#, R-W, rd/wr, R/~W",
    "RES": "/RES, RES, RES_N, nRES, RST#, RESET, /RESET, Reset, RESB, RST, nRST, RES*, ~RES, -RES",
    "IRQ": "/IRQ, nIRQ, IRQ_N, IRQ, IRQB, Interrupt, IRQ#, INT, !IRQ",
    "NMI": "/NMI, NMI, nNMI, NMI_N, NMIB, Non-maskable, NMI#",
    "RDY": "RDY, Ready, rdy",
    "SYNC": "SYNC, Sync",
    "SO": "SO, /SO, S.O., SOB",
    "BE": "BE, Bus enable",
    "AEC": "AEC",
    "BA": "BA",
    "VPB": "VPB, /VP, VP",
    "ML": "MLB, /ML",
    "select:ROM": "CS_ROM, /CS_ROM, ROM_CS, nCSROM, CSROM, /ROMCS, ROM_CE#, ROMSEL, CE_ROM_N, /ROM",
    "select:U4": "CS_U4, U4_CS, /CE_U4, U4_OE, nOE_U4, SEL U4",
    "select:CS": "CS, /CS",
    "select:CS1": "CS1, /CS1, CS 1",
    "select:RAM_LOW": "CS_RAM_LOW, /RAM_LOW_CS",
}


@pytest.mark.parametrize(
    ("pin", "name"), [(pin, name) for pin, names in FORMS.items() for name in names.split(", ")]
)
def test_a_name_that_people_write_is_understood(pin: str, name: str) -> None:
    meaning = meaning_of(name)
    assert meaning is not None
    assert meaning.pin == pin


NOTHING = (
    "CH0, CH 0, Channel 3, DIO4, B0, C7, GND, VCC, MOSI, device, source, noise, distance, pulse, "
    "0, 15, LED1, /WE, WR, RD, CLK14M, DOTCLK, trigger, data, address, /A0, A, D, P7, ''"
)


@pytest.mark.parametrize("name", NOTHING.split(", "))
def test_a_name_that_says_nothing_is_taken_for_nothing(name: str) -> None:
    assert meaning_of(name) is None


def test_only_one_letter_names_may_be_an_analysers_own() -> None:
    assert {meaning_of(name).family for name in ("A0", "a00", "top.A0")} == {"A"}
    assert {meaning_of(name).family for name in ("D0", "D07")} == {"D"}
    assert {meaning_of(n).family for n in ("AB0", "ADDR[0]", "Data 0", "DB0", "CPU_D0")} == {""}
