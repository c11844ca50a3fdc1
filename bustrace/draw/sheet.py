"""The sheet a picture is drawn on: time across in µs, points down, lanes under one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import Normalize
from matplotlib.font_manager import FontProperties
from matplotlib.image import AxesImage
from matplotlib.textpath import text_to_path

from bustrace.draw.bins import I64, column_edges
from bustrace.draw.look import MONO, MONO_ADVANCE, SERIF, Look

PS_PER_US = 1e6
GUTTER = 66.0
"""Points left of the plot, for the names of the lanes."""
MARGIN = 62.0
"""Points right of the plot, for what a lane was all the time."""
_CYCLES_A_COLUMN = 24
SMALLEST = 5.2
"""Smallest letters, in points, that still print."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A drawing surface over a matplotlib Axes.

    Attributes
    ----------
    ax : Axes
        Its data coordinates become: x in microseconds of the capture's time, y in points from the
        top.
    look : Look
    start_ps, end_ps : int
        Time shown.
    width : float
        Points from the left of the axes to the right.
    columns : int
        Columns of strips and bands, see `useful_columns`.
    scale : float
        Real points a y unit; below 1 in an axes lower than the picture wants to be.
    """

    ax: Axes
    look: Look
    start_ps: int
    end_ps: int
    width: float
    columns: int = 1
    scale: float = 1.0

    @property
    def plot_width(self) -> float:
        """Points between the gutter and the margin."""
        return max(self.width - GUTTER - MARGIN, 40.0)

    @property
    def us_per_point(self) -> float:
        """Microseconds a point."""
        return (self.end_ps - self.start_ps) / PS_PER_US / self.plot_width

    @property
    def edges_ps(self) -> I64:
        """Edges of the columns of strips and bands."""
        return column_edges(self.start_ps, self.end_ps, self.columns)

    @property
    def left_us(self) -> float:
        """Left end of the plot."""
        return self.start_ps / PS_PER_US

    @property
    def right_us(self) -> float:
        """Right end of the plot."""
        return self.end_ps / PS_PER_US

    def prepare(self, height: float) -> None:
        """Set the axes' limits for a picture of that many points, and hide its frame."""
        point = self.us_per_point
        self.ax.set_axis_off()
        self.ax.set_xlim(self.left_us - GUTTER * point, self.right_us + MARGIN * point)
        self.ax.set_ylim(height, 0.0)

    def size(self, points: float) -> float:
        """Letter size that keeps its place in a lower axes."""
        return points * min(self.scale, 1.0)

    def fits(self, text: str, points_wide: float, size: float, pad: float = 2.0) -> bool:
        """Whether text in the mono face fits a width with some points to spare."""
        return len(text) * MONO_ADVANCE * self.size(size) + pad <= points_wide

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 7.0,
        mono: bool = False,
        color: str | None = None,
        ha: str = "center",
        va: str = "center_baseline",
        weight: str = "normal",
        style: str = "normal",
        rotation: float = 0.0,
        ground: bool = False,
        z: float = 6.0,
    ) -> None:
        """Write text; `ground` puts paper behind it."""
        box = (
            {"boxstyle": "square,pad=0.12", "facecolor": self.look.paper, "edgecolor": "none"}
            if ground
            else None
        )
        self.ax.text(
            x,
            y,
            text,
            fontsize=self.size(size),
            family=MONO if mono else SERIF,
            color=color or self.look.ink,
            ha=ha,
            va=va,
            weight=weight,
            style=style,
            rotation=rotation,
            rotation_mode="anchor" if rotation == 0 else "default",
            parse_math=False,
            clip_on=False,
            bbox=box,
            zorder=z,
        )

    def name(self, y: float, text: str, *, inset: float = 6.0) -> None:
        """Write a lane's name in the gutter, ending `inset` points left of the plot."""
        self.text(self.left_us - inset * self.us_per_point, y, text, size=7.5, ha="right")

    def readout(self, y: float, text: str, *, size: float = 6.2, color: str | None = None) -> None:
        """Write in the margin what a lane was over the whole window."""
        self.text(
            self.right_us + 5 * self.us_per_point,
            y,
            text,
            size=size,
            ha="left",
            color=color or self.look.quiet,
            mono=True,
        )

    def lines(
        self,
        segments: Sequence[npt.NDArray[np.float64]] | Sequence[Sequence[tuple[float, float]]],
        *,
        color: str,
        width: float = 0.9,
        style: str = "solid",
        z: float = 3.0,
    ) -> None:
        """Draw line segments as one artist: shape (n, points, 2)."""
        if len(segments):
            self.ax.add_collection(
                LineCollection(
                    segments, colors=color, linewidths=width, linestyles=style, zorder=z
                ),
                autolim=False,
            )

    def shapes(
        self,
        polygons: Sequence[npt.NDArray[np.float64]] | Sequence[Sequence[tuple[float, float]]],
        *,
        face: str,
        edge: str = "none",
        width: float = 0.7,
        style: str = "solid",
        hatch: str | None = None,
        z: float = 4.0,
    ) -> None:
        """Draw polygons as one artist."""
        if len(polygons):
            self.ax.add_collection(
                PolyCollection(
                    polygons,
                    facecolors=face,
                    edgecolors=edge,
                    linewidths=width,
                    linestyles=style,
                    hatch=hatch,
                    zorder=z,
                ),
                autolim=False,
            )

    def boxes(
        self,
        spans: Sequence[tuple[float, float]],
        top: float,
        bottom: float,
        *,
        face: str,
        edge: str = "none",
        hatch: str | None = None,
        width: float = 0.7,
        style: str = "solid",
        z: float = 4.0,
    ) -> None:
        """Draw rectangles from x to x in µs, as one artist."""
        self.shapes(
            [[(a, top), (b, top), (b, bottom), (a, bottom)] for a, b in spans],
            face=face,
            edge=edge,
            hatch=hatch,
            width=width,
            style=style,
            z=z,
        )

    def strip(
        self,
        darkness: npt.NDArray[np.float64],
        top: float,
        bottom: float,
        *,
        span: tuple[float, float] | None = None,
    ) -> None:
        """Draw a strip of columns: shape (rows, columns), 0 paper to 1 ink, NaN nothing.

        The first row is at the top. `span` is its left and right end where it does not fill the
        plot.
        """
        left, right = span or (self.left_us, self.right_us)
        # Not `Axes.imshow`, which would change the limits and the aspect.
        image = AxesImage(
            self.ax,
            cmap=self.look.tones,
            norm=Normalize(0.0, 1.0),
            extent=(left, right, bottom, top),
            interpolation="nearest",
            origin="upper",
            zorder=2.0,
        )
        image.set_data(np.ma.masked_invalid(darkness))
        self.ax.add_image(image)

    def rule(self, y: float, *, color: str | None = None, width: float = 0.5) -> None:
        """Draw a horizontal ruling over the plot."""
        self.lines(
            [[(self.left_us, y), (self.right_us, y)]],
            color=color or self.look.faint,
            width=width,
            z=1.0,
        )


def useful_columns(width: float, cycles: int) -> int:
    """How many columns a plot of that many points should be folded into.

    Up to two cycles a point, columns are narrower than cycles and every cycle is seen. Beyond,
    a column holds so many cycles that its share means something: with only a few in each, the
    program's loops would beat against the columns and draw stripes that are not there.
    """
    finest = max(int(width * 2), 1)
    if cycles <= finest:
        return finest
    return min(max(cycles // _CYCLES_A_COLUMN, int(width / 3)), int(width))


def serif_width(text: str, size: float) -> float:
    """Points that text takes in the serif face."""
    wide, _, _ = text_to_path.get_text_width_height_descent(
        text, FontProperties(family=SERIF, size=size), ismath=False
    )
    return float(wide)


def wrap(text: str, points: float, size: float) -> list[str]:
    """Break a sentence into lines that fit a width in the serif face."""
    lines: list[str] = []
    for word in text.split():
        if lines and serif_width(f"{lines[-1]} {word}", size) <= points:
            lines[-1] += f" {word}"
            continue
        while len(word) > 1 and serif_width(word, size) > points:
            fit = max(int(len(word) * points / serif_width(word, size)) - 1, 1)
            lines.append(word[:fit])
            word = word[fit:]
        lines.append(word)
    return lines or [""]


def card(
    left: float,
    right: float,
    top: float,
    bottom: float,
    cut_x: float,
    cut_y: float,
    *,
    left_cut: bool,
) -> list[tuple[float, float]]:
    """An index card: a rectangle with its top right corner cut, or its top left one."""
    if left_cut:
        return [
            (left + cut_x, top),
            (right, top),
            (right, bottom),
            (left, bottom),
            (left, top + cut_y),
        ]
    return [
        (left, top),
        (right - cut_x, top),
        (right, top + cut_y),
        (right, bottom),
        (left, bottom),
    ]
