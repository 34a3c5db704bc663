"""A small drawing board for SVG: panels with axes, lines, bands, dots. The same input, the same bytes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from steadyhead.types import FloatArray

INK, SOFT, FAINT, GRID = "#1a1f23", "#474e54", "#8c8c8c", "#dcdcd8"
FONT = "DejaVu Sans, Verdana, sans-serif"
TEXT_PX = 11
LETTER_PX = 6.4  # mean width of a letter at that size
Tick = tuple[float, str]


@dataclass(slots=True)
class Board:
    """One picture: pieces are drawn in the order in which they are added. Sizes in CSS pixels."""

    width: float
    height: float
    pieces: list[str] = field(default_factory=list)

    def text(
        self, x: float, y: float, words: str, *, anchor: str = "start", colour: str = INK, bold: bool = False,
        turned: bool = False,
    ) -> None:  # fmt: skip
        """Words at a place; ``anchor`` is start, middle or end."""
        weight = ' font-weight="bold"' if bold else ""
        turn = f' transform="rotate(-90 {_n(x)} {_n(y)})"' if turned else ""
        self.pieces.append(
            f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" fill="{colour}"{weight}{turn}>'
            f"{escape(words)}</text>"
        )

    def line(
        self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float = 1.0, dash: str = ""
    ) -> None:
        """A straight line."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.pieces.append(
            f'<path d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" stroke="{colour}" stroke-width="{_n(width)}" '
            f'fill="none"{dashed}/>'
        )

    def box(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        """A filled rectangle."""
        self.pieces.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="{fill}"/>'
        )

    def path(
        self, d: str, *, stroke: str = "none", width: float = 1.0, fill: str = "none", dash: str = "",
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """Any path."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        faded = f' opacity="{_n(opacity)}"' if opacity < 1.0 else ""
        if d:
            self.pieces.append(
                f'<path d="{d}" stroke="{stroke}" stroke-width="{_n(width)}" fill="{fill}" '
                f'stroke-linejoin="round"{dashed}{faded}/>'
            )

    def svg(self, said: str) -> str:
        """The picture as a document; ``said`` is what it shows, in words."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(self.width)} {_n(self.height)}" '
            f'width="{_n(self.width)}" height="{_n(self.height)}" role="img" aria-label={quoteattr(said)} '
            f'font-family="{FONT}" font-size="{TEXT_PX}">{"".join(self.pieces)}</svg>'
        )


@dataclass(frozen=True, slots=True)
class Panel:
    """A rectangle of a board with its scales: data from (x_low, y_low) to (x_high, y_high)."""

    board: Board
    left: float
    top: float
    width: float
    height: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: FloatArray | float) -> FloatArray:
        """Places of values from left to right."""
        span = (self.x_high - self.x_low) or 1.0
        return np.asarray(self.left + (np.asarray(value) - self.x_low) / span * self.width)

    def y(self, value: FloatArray | float) -> FloatArray:
        """Places of values from bottom to top; values outside are put on the edge."""
        span = (self.y_high - self.y_low) or 1.0
        share = np.clip((np.asarray(value) - self.y_low) / span, 0.0, 1.0)
        return np.asarray(self.top + (1.0 - share) * self.height)

    def axes(self, x_ticks: Iterable[Tick], unit: str, x_unit: str = "", *, is_last: bool = True) -> None:
        """Grid, numbers, and the unit over the upright axis."""
        board = self.board
        for value, label in round_ticks(self.y_low, self.y_high):
            y = float(self.y(value))
            board.line(self.left, y, self.left + self.width, y, GRID)
            board.text(self.left - 5, y + 4, label, anchor="end", colour=SOFT)
        placed = -math.inf
        for value, label in x_ticks:
            x = float(self.x(value))
            board.line(x, self.top, x, self.top + self.height, GRID)
            half = LETTER_PX * len(label) / 2
            if is_last and x - half > placed:
                board.text(x, self.top + self.height + 14, label, anchor="middle", colour=SOFT)
                placed = x + half + 4
        board.line(self.left, self.top + self.height, self.left + self.width, self.top + self.height, FAINT)
        board.text(self.left, self.top - 6, unit, colour=SOFT)
        if x_unit:
            board.text(self.left + self.width, self.top + self.height + 28, x_unit, anchor="end", colour=SOFT)

    def curve(
        self, x: FloatArray, y: FloatArray, colour: str, width: float = 1.2, dash: str = "",
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """A line through points; NaN parts it."""
        self.board.path(
            _through(self.x(x), np.where(np.isfinite(y), self.y(y), np.nan)), stroke=colour, width=width,
            dash=dash, opacity=opacity,
        )  # fmt: skip

    def band(self, x: FloatArray, low: FloatArray, high: FloatArray, fill: str) -> None:
        """The area between two lines; NaN parts it."""
        for part in _parts(np.isfinite(low) & np.isfinite(high)):
            xs, down, up = self.x(x[part]), self.y(low[part]), self.y(high[part])
            there = _through(xs, up)
            back = _through(xs[::-1], down[::-1]).replace("M", "L", 1)
            self.board.path(f"{there}{back}Z", fill=fill)

    def dots(
        self, x: FloatArray, y: FloatArray, colour: str, size: float = 1.6, opacity: float = 1.0
    ) -> None:
        """Small squares at points; one path, so that thousands stay small."""
        known = np.isfinite(x) & np.isfinite(y)
        step = _n(size)
        d = "".join(
            f"M{_n(a - size / 2)} {_n(b - size / 2)}h{step}v{step}h-{step}z"
            for a, b in zip(self.x(x[known]).tolist(), self.y(y[known]).tolist(), strict=True)
        )
        self.board.path(d, fill=colour, opacity=opacity)

    def level(
        self, value: float, colour: str, words: str = "", dash: str = "5 3", width: float = 1.3
    ) -> None:
        """A level across the panel with its name at the right."""
        if not self.y_low <= value <= self.y_high:
            return
        y = float(self.y(value))
        self.board.line(self.left, y, self.left + self.width, y, colour, width, dash)
        if words:
            self.board.text(self.left + self.width + 4, y + 4, words, colour=colour)


def legend(board: Board, x: float, y: float, entries: Sequence[tuple[str, str, str]]) -> None:
    """Marks with words in a row: kind ("line", "dash", "band", "dot"), colour, words."""
    for kind, colour, words in entries:
        if kind == "band":
            board.box(x, y - 9, 16, 10, colour)
        elif kind == "dot":
            board.box(x + 6, y - 6, 5, 5, colour)
        else:
            board.line(x, y - 4, x + 16, y - 4, colour, 2.0, "5 3" if kind == "dash" else "")
        board.text(x + 21, y, words, colour=SOFT)
        x += 21 + LETTER_PX * len(words) + 16


def round_ticks(low: float, high: float, most: int = 5) -> list[Tick]:
    """Round numbers between two values, at most about ``most``."""
    span = high - low
    if not (span > 0.0 and math.isfinite(span)):
        return [(low, f"{low:g}")]
    size = 10.0 ** math.floor(math.log10(span / most))
    step = next(size * m for m in (1.0, 2.0, 5.0, 10.0) if span / (size * m) <= most)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step + 0.0:.{decimals}f}") for n in range(first, last + 1)]


def room_for(
    *values: FloatArray, least: float = 0.0, levels: Sequence[float | None] = (), zero: bool = False
) -> tuple[float, float]:
    """Scale that shows nearly all values: 0.2 to 99.8 % of them, all levels, and a little air."""
    ends: list[float] = [level for level in levels if level is not None and math.isfinite(level)]
    for array in values:
        known = array[np.isfinite(array)]
        if known.size:
            ends += np.quantile(known, (0.002, 0.998)).tolist()
    if zero:
        ends.append(0.0)
    if not ends:
        return 0.0, 1.0
    low, high = min(ends), max(ends)
    air = max(0.06 * (high - low), (least - (high - low)) / 2.0, 1e-6 * max(1.0, abs(high)))
    return (0.0 if zero and low >= 0.0 else low - air), high + air


def _parts(known: np.ndarray) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _through(xs: FloatArray, ys: FloatArray) -> str:
    d: list[str] = []
    for part in _parts(np.isfinite(ys)):
        points = [f"{_n(a)} {_n(b)}" for a, b in zip(xs[part].tolist(), ys[part].tolist(), strict=True)]
        if len(points) == 1:
            points *= 2
        d.append("M" + "L".join(points))
    return "".join(d)


def _n(value: float) -> str:
    """A number with one decimal, none where it is whole."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text
