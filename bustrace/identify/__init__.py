"""What a capture shows of its board where nobody wrote a board file."""

from bustrace.identify.draft import board_seen
from bustrace.identify.model import (
    BoardSeen,
    ChipSeen,
    Hold,
    ImageSeen,
    MemorySeen,
    Placement,
    SelectSeen,
    Unexplained,
)

__all__ = [
    "BoardSeen",
    "ChipSeen",
    "Hold",
    "ImageSeen",
    "MemorySeen",
    "Placement",
    "SelectSeen",
    "Unexplained",
    "board_seen",
]
