"""Small lines of five weeks, one picture for a whole row of the fleet's table."""

from __future__ import annotations

from collections.abc import Sequence

from steadyhead.weekly.model import Figure
from steadyhead.weekly.pictures.svg import Board

COLUMN, HEIGHT, AIR = 60.0, 16.0, 9.0
LINE, LAST, LEARNED = "#6a7177", "#1a1f23", "#8A5F00"
MARKS = {"worse": "#a8001c", "better": "#1f6f43"}


def spark_row(figures: Sequence[Figure | None], said: str) -> str:
    """A line of each figure's weeks, side by side; the last week is a dot, coloured where it changed.

    Dashes show what was learned.
    """
    board = Board(COLUMN * len(figures), HEIGHT)
    for n, figure in enumerate(figures):
        if figure is not None:
            _draw(board, COLUMN * n, figure)
    return board.svg(said)


def _draw(board: Board, left: float, figure: Figure) -> None:
    values = [*figure.before, figure.value]
    known = [value for value in values if value is not None]
    if not known:
        return
    level = [] if figure.profile is None else [figure.profile]
    low, high = min([*known, *level]), max([*known, *level])
    # a line moves only as far as its changes mean something
    span = max(high - low, figure.least or 0.0, 1e-9)
    middle = (low + high) / 2.0
    step = (COLUMN - 2 * AIR) / (len(values) - 1)

    def place(k: int, value: float) -> tuple[float, float]:
        return left + AIR + step * k, HEIGHT / 2 - (value - middle) / span * (HEIGHT - 6)

    if figure.profile is not None:
        y = place(0, figure.profile)[1]
        board.line(left + AIR - 3, y, left + COLUMN - AIR + 3, y, LEARNED, 0.8, "1.5 1.5")
    run: list[tuple[float, float]] = []
    runs = [run]
    for k, value in enumerate(values):
        if value is None:
            run = []
            runs.append(run)
        else:
            run.append(place(k, value))
    for points in runs:
        if len(points) > 1:
            board.path("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points), stroke=LINE, width=1.2)
        elif points and points[0][0] < left + COLUMN - AIR - 1:
            board.box(points[0][0] - 1, points[0][1] - 1, 2, 2, LINE)
    if values[-1] is not None:
        x, y = place(len(values) - 1, values[-1])
        board.box(x - 2, y - 2, 4, 4, MARKS.get(figure.change, LAST))
