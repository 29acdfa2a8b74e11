"""Play (lost motion) on one axis, for tests: the hysteron, or play operator, of the textbooks."""

import numpy as np


def with_play(command: np.ndarray, play: float, start: float | None = None) -> np.ndarray:
    """Follow a command at rest until it is half the play away, then drag along behind it."""
    position = command[0] if start is None else start
    followed = np.empty_like(command)
    for k, wanted in enumerate(command):
        position = min(max(position, wanted - play / 2), wanted + play / 2)
        followed[k] = position
    return followed


def leaning(xy: np.ndarray, angle: float) -> np.ndarray:
    """The y axis leans by an angle towards +x and keeps its scale."""
    x, y = xy.T
    return np.column_stack((x + y * np.sin(angle), y * np.cos(angle)))


def circle(
    radius: float, *, n: int = 7200, ccw: bool = True, play_x: float = 0.0, play_y: float = 0.0,
    alpha: float = 0.0, ex: float = 0.0, ey: float = 0.0, lag: float = 0.0, speed: float = 0.0,
) -> np.ndarray:  # fmt: skip
    """One turn in the periodic steady state: lag, then play, then scale and squareness.

    Convention: x' = (1 + ex) x + alpha y, y' = (1 + ey) y.
    """
    turn = 2 * np.pi * np.arange(2 * n + 1) / n
    lagged = speed / radius * lag
    reach = radius / np.hypot(1.0, lagged)
    theta = (turn - np.arctan(lagged)) * (1 if ccw else -1)
    x = with_play(reach * np.cos(theta), play_x)[n:-1]
    y = with_play(reach * np.sin(theta), play_y)[n:-1]
    return np.column_stack(((1 + ex) * x + alpha * y, (1 + ey) * y))


def square(
    side: float, *, step: float = 0.05, laps: int = 2, play_x: float = 0.0, play_y: float = 0.0,
    alpha: float = 0.0, ex: float = 0.0, ey: float = 0.0,
) -> np.ndarray:  # fmt: skip
    """The last of some laps round a square, counter-clockwise from its lower left corner."""
    t = np.arange(round(side / step)) / round(side / step) - 0.5
    one = np.full_like(t, 0.5)
    x = side * np.tile(np.concatenate((t, one, -t, -one)), laps)
    y = side * np.tile(np.concatenate((-one, t, one, -t)), laps)
    x, y = np.append(x, x[0]), np.append(y, y[0])
    n = len(t) * 4
    x, y = with_play(x, play_x)[-n - 1 :], with_play(y, play_y)[-n - 1 :]
    return np.column_stack(((1 + ex) * x + alpha * y, (1 + ey) * y))
