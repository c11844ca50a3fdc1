"""Pictures of readings. The only room that knows matplotlib."""

from bustrace.draw.picture_file import save_picture
from bustrace.draw.timeline import draw_timeline

__all__ = ["draw_timeline", "save_picture"]
