"""What should be on the board: board file, chips, pins, address decoding, ROM images."""

from bustrace.board.address_map import WiringLoop, build_map
from bustrace.board.banks import Answers, answers_in, state_of
from bustrace.board.chip_tables import checked_ref
from bustrace.board.decoders import decode_138, decode_139
from bustrace.board.loader import board_from_roms, load_board, load_image, unknown_board
from bustrace.board.model import (
    READ,
    WRITE,
    AddressMap,
    Board,
    Chip,
    Clip,
    ClipPlace,
    Cpu,
    Image,
    NormalHold,
    SelectLine,
)
from bustrace.board.packages import known_packages, package_of, pin_of, supply_pins
from bustrace.board.rows import MapRow, map_rows
from bustrace.board.values import BadValue, parse_address
from bustrace.board.wires import Buffer, Decoder, Decoding, EnablePin, Net, Output, StateBit

__all__ = [
    "READ",
    "WRITE",
    "AddressMap",
    "Answers",
    "BadValue",
    "Board",
    "Buffer",
    "Chip",
    "Clip",
    "ClipPlace",
    "Cpu",
    "Decoder",
    "Decoding",
    "EnablePin",
    "Image",
    "MapRow",
    "Net",
    "NormalHold",
    "Output",
    "SelectLine",
    "StateBit",
    "WiringLoop",
    "answers_in",
    "board_from_roms",
    "build_map",
    "checked_ref",
    "decode_138",
    "decode_139",
    "known_packages",
    "load_board",
    "load_image",
    "map_rows",
    "package_of",
    "parse_address",
    "pin_of",
    "state_of",
    "supply_pins",
    "unknown_board",
]
