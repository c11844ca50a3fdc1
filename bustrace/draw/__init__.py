"""Pictures of readings. The only room that knows matplotlib."""

from bustrace.draw.address_map import draw_address_map
from bustrace.draw.bit_errors import draw_bit_errors
from bustrace.draw.boot import draw_boot
from bustrace.draw.bus_cycle import draw_bus_cycle
from bustrace.draw.instruction import draw_instruction
from bustrace.draw.interrupt import draw_interrupt
from bustrace.draw.line_moves import draw_line_moves
from bustrace.draw.margins import draw_margins
from bustrace.draw.picture_file import check_picture_path, save_picture
from bustrace.draw.reset import draw_reset
from bustrace.draw.side_by_side import draw_side_by_side
from bustrace.draw.timeline import draw_timeline

__all__ = [
    "check_picture_path",
    "draw_address_map",
    "draw_bit_errors",
    "draw_boot",
    "draw_bus_cycle",
    "draw_instruction",
    "draw_interrupt",
    "draw_line_moves",
    "draw_margins",
    "draw_reset",
    "draw_side_by_side",
    "draw_timeline",
    "save_picture",
]
