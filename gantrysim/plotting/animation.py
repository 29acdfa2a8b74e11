"""A ring being drawn: the spot on its way, which part sticks, and the belts winding up."""

from __future__ import annotations

import base64
import re
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, BinaryIO

import numpy as np
from matplotlib.animation import FuncAnimation, PillowWriter
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from PIL import Image

from gantrysim.burn import Burn
from gantrysim.burn.magnified import counterparts
from gantrysim.burn.sticking import DOING, FOLLOWS, PARTS, RESTS, STICKS, Course, course
from gantrysim.plotting import look
from gantrysim.records.checks import must_be, positive, whole_number
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_file

_ROOM = 0.45  # of the size of the ring: what a ring spacing would be
_RAIL = 1.42  # rails stand this many sizes from the middle, nearer than they do
_ARM = 0.3  # the beam is drawn this many sizes on the near side of the spot
_COLOURS = {RESTS: look.FAINT, STICKS: look.VERMILION, FOLLOWS: look.BLUE}
_MILLISECONDS = 90  # each frame
_MOST_FRAMES = 2000  # three minutes
_MOST_DPI = 600.0  # a frame has then 22 million pixels
_TONES = 12  # of each colour in a frame of an HTML text
_STEEL = "#d9d9d9"
_SEEN = (
    "A ring being drawn: beam, both its sides and the carriage go with the spot; bars below show "
    "how far the command is ahead of each."
)
_FRAME = re.compile(r"data:image/png;base64,([^\"]+)")


class BurnAnimation(FuncAnimation):
    """Pictures of a ring being drawn, that a notebook plays; made by `animate_burn`.

    A notebook shows it with buttons to stop it and to step through it.  `to_jshtml` gives that as
    HTML text, `to_gif` writes a file.
    """

    def to_jshtml(self, *args: Any, **kwargs: Any) -> str:
        """HTML text with buttons to play it; as matplotlib's, in a third of the size.

        The first picture stands in it as an image, so that it is seen where no script runs.
        """
        text = re.sub(_FRAME, _fewer_colours, super().to_jshtml(*args, **kwargs))
        first = _FRAME.search(text)
        if first is None:
            return text
        picture = first[0].replace("\\\n", "")
        return text.replace("<img", f'<img alt="{_SEEN}" src="{picture}"', 1)

    def _repr_html_(self) -> str:
        return self.to_jshtml(default_mode="loop")

    def to_gif(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the pictures as an animated GIF file; returns its path.

        ``path``: of the file.  ``overwrite``: whether a file of that name may be replaced.
        FileExistsError if the file exists and `overwrite` is false.
        """

        def write(out: BinaryIO) -> None:
            with TemporaryDirectory() as folder:  # the writer wants a name that ends in .gif
                whole = Path(folder) / "ring.gif"
                self.save(whole, writer=PillowWriter(fps=round(1000 / _MILLISECONDS)))
                out.write(whole.read_bytes())

        return write_new_file(path, write, overwrite=overwrite)


@checked
def animate_burn(
    burn: Burn,
    *,
    shape: str | None = None,
    ring: int | None = None,
    pass_index: int | None = None,
    magnify: float | None = None,
    frames: int = 48,
    dpi: float = 80.0,
) -> BurnAnimation:
    """Show a ring being drawn: the spot, which part sticks, and how far the belts are wound up.

    Above, the spot goes round its ring with the error magnified; the line is vermilion and thick
    where a part stuck.  The beam, its two sides on their rails and the carriage move with it; a
    part that sticks is vermilion and square, one that follows blue and round, one that is not
    commanded to move grey.  Rails and beam are drawn nearer to the ring than they are.  Below
    stands how far the command is ahead of each part, in µm: that is how far its belt is wound up,
    with what the drive behind it gives.

    Parameters
    ----------
    burn : Burn
        From `simulate`.  Of its lines one is shown.
    shape : str, optional
        "circle" or "square"; circles if absent and the burn has any.
    ring : int, optional
        0 is the innermost; the outermost if absent.
    pass_index : int, optional
        Counts from 0; the last pass if absent.
    magnify : float, optional
        How many times larger the error is drawn; chosen for a readable picture if absent.
    frames : int
        How many pictures, 2 or more; 48 at 80 dpi make about 0.7 MB of HTML.
    dpi : float
        Pixels per inch of a picture that is 5.6 inches wide.

    Returns
    -------
    BurnAnimation
        Shows itself in a notebook; saved nowhere unless asked.

    Raises
    ------
    ValueError
        If the burn has no such line, or a number is out of range.

    Examples
    --------
    >>> import gantrysim as gs
    >>> sticky = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> test = gs.ring_test(("circle",), spacing=20.0, largest=20.0, passes=2)
    >>> film = gs.plotting.animate_burn(gs.simulate(sticky, test), frames=10)
    >>> path = film.to_gif("circle.gif")
    """
    if whole_number(frames, "frames", least=2) > _MOST_FRAMES:
        raise ValueError(must_be("frames", f"at most {_MOST_FRAMES}", frames))
    if positive(dpi, "dpi") > _MOST_DPI:
        raise ValueError(must_be("dpi", f"at most {_MOST_DPI:g}", dpi))
    shape = shape or burn.lines[0].shape
    rings = [line for line in burn.lines if line.shape == shape]
    if ring is None:
        ring = max((line.ring for line in rings), default=0)
    if pass_index is None:
        pass_index = max((line.pass_index for line in rings if line.ring == ring), default=0)
    line = burn.line(shape, ring, pass_index)
    went = course(burn, shape, ring, pass_index)
    largest = float(np.abs(went.spot - counterparts(went.commanded, went.spot)).max())
    scene = _Scene(went, line.size, look.magnification(magnify, largest, _ROOM * line.size), dpi)
    shown = np.linspace(0, len(went.spot) - 1, frames).round().astype(int)
    how: dict[str, Any] = {"cache_frame_data": False, "repeat": True}
    return BurnAnimation(
        scene.figure, scene.draw, frames=shown.tolist(), interval=_MILLISECONDS, **how
    )


def _fewer_colours(found: re.Match[str]) -> str:
    """A PNG picture in an HTML text with a palette: flat colours lose nothing by it."""
    picture = Image.open(BytesIO(base64.b64decode(found[1].replace("\\\n", ""))))
    smaller = BytesIO()
    flat = picture.convert("RGB").quantize(palette=_palette(), dither=Image.Dither.NONE)
    flat.save(smaller, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(smaller.getvalue()).decode()


@cache
def _palette() -> Image.Image:
    """The colours of a scene, each in steps towards white: edges of letters and lines."""
    light = np.linspace(0.0, 1.0, _TONES, endpoint=False)[:, None]
    colours = [
        np.round(255 * ((1 - light) * np.array(to_rgb(c)) + light)).astype(int)
        for c in (look.INK, look.FAINT, look.BLUE, look.VERMILION, _STEEL)
    ]
    image = Image.new("P", (1, 1))
    image.putpalette([255, 255, 255, *np.concatenate(colours).ravel().tolist()])
    return image


class _Scene:
    """The figure with everything in it that moves."""

    def __init__(self, went: Course, size: float, factor: float, dpi: float) -> None:
        self.went, self.size, self.factor = went, size, factor
        self.middle = 0.5 * (went.commanded.min(axis=0) + went.commanded.max(axis=0))
        base = counterparts(went.commanded, went.spot)
        self.wanted = went.commanded - self.middle
        self.base = base - self.middle
        self.drawn = self.base + factor * (went.spot - base)
        # a figure that pyplot does not know: else a notebook shows its last picture once more
        self.figure = Figure(figsize=(look.WIDTH, 1.2 * look.WIDTH), dpi=dpi, layout="constrained")
        grid = self.figure.add_gridspec(2, 1, height_ratios=(4.0, 1.0))
        self._ring(self.figure.add_subplot(grid[0]))
        self._bars(self.figure.add_subplot(grid[1]))
        self.draw(0)
        self.figure.draw_without_rendering()  # laid out once: faster, and nothing jumps
        self.figure.set_layout_engine("none")

    def _ring(self, ax: Axes) -> None:
        """Commanded and drawn line, rails, beam, sides, carriage, spot; mm from the centre."""
        look.dress(ax)
        size, rail = self.size, _RAIL * self.size
        ax.set_aspect("equal")
        ax.set_xlim(-1.14 * rail, 1.14 * rail)
        ax.set_ylim(-1.62 * size, 1.32 * size)
        for x in (-rail, rail):
            ax.axvline(x, color=_STEEL, linewidth=5.0, zorder=0)
        ax.plot(*self.wanted.T, color=look.COMMANDED, linewidth=0.8)
        self.trail = LineCollection([], linewidths=1.6)
        ax.add_collection(self.trail)
        (self.beam,) = ax.plot([], [], color=look.FAINT, linewidth=3.0, zorder=2)
        (self.arm,) = ax.plot([], [], color=look.FAINT, linewidth=1.4, zorder=2)
        self.marks = [
            ax.plot([], [], linestyle="", markersize=13, markeredgecolor="white", zorder=4)[0]
            for _ in PARTS
        ]
        (self.spot,) = ax.plot(
            [], [], "o", color=look.INK, markersize=6, markeredgecolor="white", zorder=5
        )
        look.label(ax, "x from the centre, mm", "y from the centre, mm")
        bold = {"fontsize": look.NORMAL, "fontweight": "bold"}
        look.write(
            ax, 0.0, -1.52 * size, look.magnification_words(self.factor), ha="center", **bold
        )
        handles = [
            look.dots(look.VERMILION, "sticks", "s", 6),
            look.dots(look.BLUE, "follows", size=6),
            look.dots(look.FAINT, "rests", size=6),
        ]
        style: dict[str, Any] = {"bbox_to_anchor": (0.5, 1.0), "ncols": 3, "fontsize": look.SMALL}
        style |= {"handletextpad": 0.1, "columnspacing": 1.6, "borderpad": 0.1}
        ax.legend(handles=handles, loc="lower center", frameon=False, **style)

    def _bars(self, ax: Axes) -> None:
        """How far the command is ahead of each part, with what each part does."""
        look.dress(ax)
        reach = 1.12e3 * float(np.abs(self.went.ahead).max()) + 1.0
        ax.set_xlim(-reach, reach)
        ax.set_ylim(len(PARTS) - 0.5, -0.5)
        ax.set_yticks(range(len(PARTS)), PARTS)
        ax.axvline(0.0, color=look.INK, linewidth=0.8)
        self.bars = ax.barh(range(len(PARTS)), [0.0] * len(PARTS), height=0.62)
        beside: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "xytext": (4, 0)}
        beside |= {"textcoords": "offset points", "fontsize": look.SMALL}
        self.says = [ax.annotate("", (1.0, i), va="center", **beside) for i in range(len(PARTS))]
        # the longest word keeps its room, so that nothing jumps from picture to picture
        ax.annotate("follows", (1.0, 0), alpha=0.0, **beside)
        look.label(ax, "command ahead of the part, µm", "")

    def draw(self, i: int) -> list[Any]:
        """Move everything to sample i."""
        went, rail = self.went, _RAIL * self.size
        x, y = self.drawn[i]
        base = self.base[i, 1]  # what waits does not move, whatever the command does meanwhile
        behind = base - (self.wanted[i, 1] - went.ahead[i, :2])
        left, right = base - _ARM * self.size - self.factor * behind
        carriage = left + (right - left) * (x + rail) / (2.0 * rail)
        pieces = np.stack([self.drawn[:i], self.drawn[1 : i + 1]], axis=1)
        stuck = (went.doing[1 : i + 1] == STICKS).any(axis=1)
        self.trail.set_segments(list(pieces))
        self.trail.set_color([look.VERMILION if s else look.BLUE for s in stuck])
        self.trail.set_linewidth([3.2 if s else 1.6 for s in stuck])
        self.beam.set_data([-rail, rail], [left, right])
        self.arm.set_data([x, x], [carriage, y])
        self.spot.set_data([x], [y])
        for mark, place, doing in zip(
            self.marks, ((-rail, left), (rail, right), (x, carriage)), went.doing[i], strict=True
        ):
            mark.set_data([place[0]], [place[1]])
            mark.set_color(_COLOURS[int(doing)])
            mark.set_markeredgecolor("white")
            mark.set_marker("s" if doing == STICKS else "o")
        for bar, words, ahead, doing in zip(
            self.bars, self.says, went.ahead[i], went.doing[i], strict=True
        ):
            bar.set_width(1e3 * ahead)
            bar.set_color(_COLOURS[int(doing)])
            words.set_text(DOING[int(doing)])
            words.set_color(_COLOURS[int(doing)])
        return [self.trail, self.beam, self.arm, self.spot, *self.marks, *self.bars, *self.says]
