"""What should be on the board: board file, chips, pins, address decoding, ROM images."""

from bustrace.board.address_map import WiringLoop, build_map, decode_138
from bustrace.board.loader import board_from_roms, load_board, unknown_board
from bustrace.board.model import (
    READ,
    WRITE,
    AddressMap,
    Board,
    Chip,
    Clip,
    ClipPlace,
    Cpu,
    Decoder,
    Decoding,
    EnablePin,
    Image,
    Net,
    NormalHold,
    SelectLine,
)
from bustrace.board.packages import pin_of
from bustrace.board.rows import MapRow, map_rows
from bustrace.board.values import BadValue, parse_address

__all__ = [
    "READ",
    "WRITE",
    "AddressMap",
    "BadValue",
    "Board",
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
    "SelectLine",
    "WiringLoop",
    "board_from_roms",
    "build_map",
    "decode_138",
    "load_board",
    "map_rows",
    "parse_address",
    "pin_of",
    "unknown_board",
]
