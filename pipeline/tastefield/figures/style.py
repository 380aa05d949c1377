"""The one visual language of every figure: colours, canvas, and a picture as clean SVG text or in pixels.

Inks are ordinary colours when a figure stands alone; inside a page each becomes a CSS variable (``var(--ink, #...)``),
so that one figure serves light and dark. The score map goes from pale to deep with even steps of lightness, so it reads
without colour too, and one colour stands for one score in every figure of a run.
"""

from __future__ import annotations

import io
import re
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING, Any, TypeAlias

from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

INK = "#23282c"
SOFT = "#6a7278"
LINE = "#c9cdcb"
PAPER = "#fcfbf8"
ACCENT = "#b3401f"

_VARIABLES = {INK: "--ink", SOFT: "--soft", LINE: "--line", PAPER: "--paper", ACCENT: "--accent"}
_SETTINGS = {"svg.fonttype": "none", "font.size": 10.0, "text.parse_math": False}
_PIXELS = {"font.size": 8.8}
"""The letters that ship with matplotlib are wider than those of pages: so much smaller, they take the same room."""
_LONG = re.compile(r"(\.\d)\d+")
_LOCK = threading.Lock()

Color: TypeAlias = tuple[float, float, float, float]
Drawing: TypeAlias = "Callable[[Axes], None]"


@lru_cache(maxsize=1)
def score_colors() -> Colormap:
    """Colour map of scores, lowest to highest."""
    import seaborn as sns

    steps = ["#f4e8d2", "#c9d3bd", "#7fb0ab", "#3f7d94", "#27516f", "#16263d"]
    colors: Colormap = sns.blend_palette(steps, as_cmap=True)
    return colors


def score_color(score: float, scale: tuple[float, float], good: float) -> Color:
    """Colour of one score; most of the range is spent around the score that counts as good, where choices are made."""
    width = scale[1] - scale[0]
    low, high = max(scale[0], good - 0.4 * width), min(scale[1], good + 0.25 * width)
    red, green, blue, alpha = score_colors()(min(max((score - low) / (high - low), 0.0), 1.0))
    return float(red), float(green), float(blue), float(alpha)


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure that is drawn when it is asked for: inside a page, standing alone, or in pixels.

    The same figure gives the same bytes, on any machine with the same matplotlib: ids come from a fixed salt, no date
    is written, and in SVG text stays text (its shape is the reader's font).

    :param name: unique within a page; letters, digits and ``-``.
    :param label: what the figure shows, for those who cannot see it.
    :param size: width and height in inches.
    :param box: left, bottom, width and height of the axes as shares of the figure.
    :param on: draws on the axes.
    """

    name: str
    label: str
    size: tuple[float, float]
    box: tuple[float, float, float, float]
    on: Drawing

    def inline(self) -> str:
        """SVG text that a page can hold, in the inks and the letters of the page."""
        svg = self._svg()
        for ink, variable in _VARIABLES.items():
            svg = svg.replace(ink, f"var({variable},{ink})")
        return svg

    def alone(self) -> str:
        """SVG text of a file: a size of its own, inks as colours, paper behind them."""
        width, height = (f"{72 * inches:g}pt" for inches in self.size)
        paper = f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        head, rest = self._svg().split(">", 1)
        head = head.replace(" viewBox", f' width="{width}" height="{height}" viewBox', 1)
        head = head.replace('style="', 'style="font-family:sans-serif;', 1)
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{head}>\n{paper}{rest}\n'

    def png(self, dpi: int) -> bytes:
        """The picture in pixels: ``dpi`` of them an inch."""
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.patheffects import withStroke

        written = io.BytesIO()
        with self._drawn(_PIXELS) as figure:
            figure.set_facecolor(PAPER)
            for text in figure.axes[0].texts:
                if text.get_gid() == "halo":
                    text.set_path_effects([withStroke(linewidth=3, foreground=PAPER)])
            figure.set_dpi(dpi)
            canvas: Any = FigureCanvasAgg(figure)
            canvas.print_png(written, metadata={"Software": None})
        return written.getvalue()

    def _svg(self) -> str:
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        written = io.StringIO()
        with self._drawn({}) as figure:
            figure.patch.set_visible(False)
            canvas: Any = FigureCanvasSVG(figure)
            canvas.print_svg(written, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
        return _clean(written.getvalue(), self.name, self.label)

    @contextmanager
    def _drawn(self, more: Mapping[str, float]) -> Iterator[Figure]:
        """The figure with everything on it; settings of the figure hold until it is written."""
        import matplotlib as mpl
        from matplotlib.figure import Figure

        settings: dict[Any, Any] = {**_SETTINGS, "svg.hashsalt": self.name, **more}
        with _LOCK, mpl.rc_context(settings), warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing")  # the reader's font draws it, or a box stands there
            figure = Figure(figsize=self.size)
            axes = figure.add_axes(self.box)
            axes.set_facecolor("none")
            for side, spine in axes.spines.items():
                spine.set_visible(side in ("left", "bottom"))
                spine.set_color(LINE)
            axes.tick_params(colors=SOFT, labelcolor=INK, length=3, width=0.6)
            self.on(axes)
            yield figure


def _clean(svg: str, name: str, label: str) -> str:
    """The SVG without prologue, style for a whole document, or an id twice."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<!--.*?-->|<metadata>.*?</metadata>|<style type=\"text/css\">.*?</style>", "", svg, flags=re.S)
    svg = re.sub(r"<defs>\s*</defs>", "", svg)
    box = re.search(r'viewBox="([^"]+)"', svg)
    head = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    head += f' viewBox="{box[1] if box else ""}"'
    head += f' role="img" aria-label="{escape(printable(label))}" style="stroke-linejoin:round;stroke-linecap:butt">'
    svg = head + svg[svg.index(">") + 1 :]
    used = set(re.findall(r"(?:url\(#|href=\"#)([\w-]+)", svg))
    svg = svg.replace('<g id="halo">', f'<g style="paint-order:stroke;stroke:{PAPER};stroke-width:3px">')
    svg = re.sub(r' id="([\w.-]+)"', lambda found: f' id="{name}-{found[1]}"' if found[1] in used else "", svg)
    svg = re.sub(r"(url\(#|href=\"#)([\w-]+)", rf"\g<1>{name}-\2", svg)
    svg = re.sub(r"font: ([^;\"]*?)([\d.]+)px [^;\"]*", _font, svg)
    svg = re.sub(r"font-family: [^;\"]*;? ?", "", svg)
    svg = re.sub(r'(?<= d=")[^"]+', _path, svg)
    return re.sub(r"\s*\n\s*", "\n", svg).strip()


def say(
    axes: Axes, at: tuple[float, float], text: str, offset: tuple[float, float] = (0.0, 0.0), bold: bool = False
) -> None:
    """A label beside a point, set off from what it lies on.

    :param offset: in points; its sign also turns the label away from the point.
    """
    across = "left" if offset[0] > 0 else "right" if offset[0] < 0 else "center"
    note = axes.annotate(text, at, offset, textcoords="offset points", ha=across, va="center", color=INK, zorder=5)
    note.set_fontweight("bold" if bold else "normal")
    note.set_gid("halo")


def whole_numbers(axis: Axis) -> None:
    """A few ticks, at whole numbers."""
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 5, 10], integer=True))


def heading(axes: Axes, text: str) -> None:
    """What the upright axis counts, above it where it is read first."""
    axes.annotate(text, (0, 1), (0, 14), "axes fraction", "offset points", color=SOFT, va="center")


def _path(found: re.Match[str]) -> str:
    """A path in tenths of a point; after a move further pairs are lines, so straight paths need no letter for them."""
    path = _LONG.sub(r"\1", found[0])
    return " ".join((path if re.search("[A-KN-Y]", path) else path.replace("L", " ")).split())


def _font(found: re.Match[str]) -> str:
    bold = ";font-weight:700" if "bold" in found[1] or "700" in found[1] else ""
    return f"font-size:{found[2]}px{bold}"
