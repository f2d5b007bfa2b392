"""How a figure is drawn and turned into SVG that sits inside the record's page.

Colours are written as stand-ins and then turned into the page's CSS variables, so that one figure is right in
light, in dark and on paper. Text stays text. Nothing random or dated enters: the same data give the same bytes.
"""

from __future__ import annotations

import html
import io
import re
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as MplPath
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray

# Stand-in -> the page's CSS variable (record.css).
INK, MUTED, GRID = "#0a0001", "#0a0002", "#0a0003"
DATA, FIT, LIMIT = "#0a0004", "#0a0005", "#0a0006"
KEYED, TUNING, WINDOW, MISSING = "#0a0007", "#0a0008", "#0a0009", "#0a000a"
_VARIABLES = {
    INK: "ink",
    MUTED: "muted",
    GRID: "grid",
    DATA: "data",
    FIT: "fit",
    LIMIT: "limit",
    KEYED: "keyed",
    TUNING: "tuning",
    WINDOW: "window",
    MISSING: "missing",
}
LONG_DASHES = (9, 3)  # a curve over many key-downs, beside the short dashes of one
WIDE, NARROW, PANEL = 720, 350, 340  # widths in px: a page's, a phone's, half a page's
PX = 1 / 72  # matplotlib's SVG has 72 user units to the inch, which the page shows as CSS pixels
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": ["DejaVu Sans"],  # comes with matplotlib, and is wide: the page's own sans takes less room
    "font.size": 11,
    "axes.linewidth": 0.8,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.labelsize": 11,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.major.pad": 6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "path.simplify": False,  # decimation is ours (``decimated``), and keeps every extreme
}
_style_lock = threading.Lock()  # matplotlib's settings belong to the whole process


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure: SVG for a wide page and, where the same one would be too small there, for a phone."""

    title: str
    alt: str  # what it shows, for who cannot see it
    wide: str
    narrow: str = ""


def canvas(width_px: float, height_px: float, margins_px: Sequence[float]) -> tuple[Figure, Axes]:
    """A figure with one pair of axes; margins are left, right, bottom, top. Use inside ``style``."""
    left, right, bottom, top = margins_px
    figure = Figure(figsize=(width_px * PX, height_px * PX))
    FigureCanvasSVG(figure)
    axes = figure.add_axes(
        (
            left / width_px,
            bottom / height_px,
            (width_px - left - right) / width_px,
            (height_px - bottom - top) / height_px,
        )
    )
    axes.patch.set_visible(False)
    axes.grid(axis="y", color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(length=3, width=0.8)
    return figure, axes


def below(figure: Figure, axes: Axes, height_px: float, between_px: float) -> Axes:
    """A second pair of axes under the first, as wide and of the same look. Use inside ``style``."""
    box, px = axes.get_position(), figure.get_figheight() / PX
    under = figure.add_axes((box.x0, box.y0 - (between_px + height_px) / px, box.width, height_px / px))
    under.patch.set_visible(False)
    under.grid(axis="y", color=GRID, linewidth=0.8)
    under.set_axisbelow(True)
    under.tick_params(length=3, width=0.8)
    under.yaxis.set_major_locator(MaxNLocator(3))
    return under


@contextmanager
def style() -> Iterator[None]:
    """Our settings for the time of one drawing. The lock keeps two threads' drawings apart."""
    with _style_lock, mpl.rc_context(_STYLE):
        yield


def svg(figure: Figure, name: str, alt: str) -> str:
    """A figure as an SVG element. ``name`` must differ between the figures of one page: ids carry it."""
    mpl.rcParams["svg.hashsalt"] = name
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True)
    text = out.getvalue()
    text = text[text.index("<svg") :]  # no XML head, and no metadata: it has the date
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    used = set(re.findall(r'(?:xlink:href="#|url\(#)([^")]+)', text))
    text = re.sub(r' id="([^"]*)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", text)
    text = re.sub(r'(xlink:href="#|url\(#)', rf"\g<1>{name}-", text)
    for stand_in, variable in _VARIABLES.items():
        text = text.replace(stand_in, f"var(--{variable})")
    text = re.sub(r"(\d\.\d{2})\d+", r"\1", text)  # a hundredth of a pixel is enough
    box = re.search(r'viewBox="([^"]*)"', text)
    width = box[1].split()[2] if box else "0"
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" role="img"'
        f' viewBox="{box[1] if box else ""}" style="max-width: {float(width):.0f}px" aria-label="{html.escape(alt)}">'
    )
    return opening + re.sub(r"^<svg[^>]*>", "", text, count=1).strip()


def decimated(
    t_s: NDArray[np.float64], value: NDArray[np.float64], columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most about ``2 x columns`` points that draw the same line: each column's lowest and highest.

    Shapes: (n,) in, (m,) out, in order of time. NaN breaks the line: with few points each NaN does, with many a
    column that has no value at all.
    """
    if len(t_s) <= 2 * columns:
        return t_s, value
    edges = np.linspace(t_s[0], t_s[-1], columns + 1)
    starts = np.unique(np.searchsorted(t_s, edges[:-1]))
    stops = np.append(starts[1:], len(t_s))
    lacking = np.isnan(value)
    low, high = (np.where(lacking, end, value) if lacking.any() else value for end in (np.inf, -np.inf))
    kept: list[int] = []
    for start, stop in zip(starts, stops, strict=True):
        lowest, highest = (int(start + np.argmin(low[start:stop])), int(start + np.argmax(high[start:stop])))
        # Where there is no value at all, both are the column's first.
        kept += sorted({lowest, highest})
    return t_s[kept], value[kept]


def shade(
    axes: Axes, spans: Iterable[tuple[float, float]], colour: str, bottom: float = 0.0, height: float = 1.0
) -> None:
    """Vertical bands over (part of) the axes' height."""
    box = ((0.0, bottom), (0.0, bottom + height), (1.0, bottom + height), (1.0, bottom), (0.0, bottom))
    corners = [(stop if right else start, y) for start, stop in spans for right, y in box]
    codes = [MplPath.MOVETO, MplPath.LINETO, MplPath.LINETO, MplPath.LINETO, MplPath.CLOSEPOLY]
    if corners:  # one path for all: a long session has thousands
        path = MplPath(corners, codes * (len(corners) // 5))
        transform = axes.get_xaxis_transform()
        axes.add_patch(PathPatch(path, transform=transform, facecolor=colour, linewidth=0, zorder=0.5))


def line(axes: Axes, t_s: NDArray[np.float64], value: NDArray[np.float64], columns: int) -> None:
    """A line, with a dot where a reading has no neighbour to draw a line to."""
    t_s, value = decimated(t_s, value, columns)
    axes.plot(t_s, value, color=DATA, linewidth=1.2)
    lacking = np.concatenate(([True], np.isnan(value), [True]))
    alone = ~lacking[1:-1] & lacking[:-2] & lacking[2:]
    axes.plot(t_s[alone], value[alone], color=DATA, linewidth=0, marker="o", markersize=1.8, markeredgewidth=0)


def level(axes: Axes, limit: float, spans: Sequence[tuple[float, float]]) -> None:
    """A limit, drawn where it holds."""
    axes.hlines([limit] * len(spans), *zip(*spans, strict=True), color=LIMIT, linewidth=1.2)


def plain_text(axes: Axes, x: float, y: float, text: str, align: str = "left") -> None:
    """A file's words in axes coordinates; dollar signs in them are no formula."""
    axes.text(x, y, text, transform=axes.transAxes, ha=align, va="bottom", parse_math=False)


def clipped(name: str, most: int) -> str:
    """A name no longer than ``most``."""
    return name if len(name) <= most else name[: most - 1] + "…"


def named_rows(axes: Axes, names: Sequence[str]) -> None:
    """Rows 0, 1, ... from the top down, each with a file's words on the left, as long as there is room for."""
    axes.set_ylim(len(names) - 0.45, -0.55)
    axes.set_yticks(range(len(names)))
    for label in axes.set_yticklabels([clipped(name, 16) for name in names]):
        label.set_parse_math(False)
    axes.tick_params(axis="y", length=0)


_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400)


def time_axis(axes: Axes, span_s: float, most_ticks: int) -> None:
    """Time since the session's start on x, at round steps."""
    step = next((s for s in _STEPS_S if span_s / s <= most_ticks), 86400 * -(-span_s // (86400 * most_ticks)))
    axes.xaxis.set_major_locator(MultipleLocator(step))
    if span_s < 120:
        axes.set_xlabel("seconds since the start")
    elif span_s < 2 * 3600:
        axes.set_xlabel("time since the start, min:s")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda s, _: f"{round(s) // 60}:{round(s) % 60:02d}"))
    else:
        axes.set_xlabel("time since the start, h:min")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda s, _: f"{round(s) // 3600}:{round(s) // 60 % 60:02d}"))
