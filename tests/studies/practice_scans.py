"""Read every practice scan without a hint and hold it against measured points of the same piece.

    python tests/studies/practice_scans.py [--diagnose] [--pictures FOLDER] [case ...]

Scan and points were measured anew each, with their own scale, skew and noise, so sizes agree only
after each one's scale is taken out; what is left across the lines is compared point by point.
Needs the shared practice burns beside the repository; says so and stops where they are absent.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from scipy.interpolate import interp1d

import gantrysim as gs

PRACTICE = Path(__file__).resolve().parents[3] / "shared" / "practice"


def ring_points(piece: gs.Piece, shape: str, ring: int) -> np.ndarray:
    """All points of a ring."""
    own = [x.xy for x in piece.lines if (x.shape, x.ring) == (shape, ring)]
    return np.concatenate(own) if own else np.empty((0, 2))


def across_lines(scan: gs.Piece, points: gs.Piece) -> tuple[np.ndarray, np.ndarray]:
    """Distance of the measured points from the scanned lines, an affine map taken out, mm.

    Returns the distances and the sizes of their rings, in the order of the rings.
    """
    test = scan.test
    matrix, shift = start_of(scan, points), None
    left = np.empty(0)
    for _ in range(6):
        rows, goal, sizes = [], [], []
        for shape, ring in {(x.shape, x.ring) for x in points.lines}:
            theirs, ours = ring_points(points, shape, ring), ring_points(scan, shape, ring)
            size = test.nest(shape).sizes[ring]
            if shift is None:
                shift = ours.mean(axis=0) - matrix @ theirs.mean(axis=0)
            moved = theirs @ matrix.T + shift
            for mine, here, normal in pieces_of(shape, ours, moved, size):
                rows.append(np.column_stack((normal[:, :1] * here, normal[:, 1:] * here, normal)))
                goal.append(mine)
                sizes.append(np.full(len(mine), size))
        table, off = np.concatenate(rows), np.concatenate(goal)
        keep = np.abs(off - np.median(off)) < max(0.08, 4 * np.median(np.abs(off)))
        a = np.linalg.lstsq(table[keep], off[keep], rcond=None)[0]
        step = np.eye(2) + np.array(((a[0], a[1]), (a[2], a[3])))
        matrix, shift = step @ matrix, step @ shift + a[4:]
        left = (off - table @ a)[keep]
    return left, np.concatenate(sizes)[keep]


def start_of(scan: gs.Piece, points: gs.Piece) -> np.ndarray:
    """Turn of the points' frame against the scan's, as a matrix."""

    def turn(piece: gs.Piece) -> float:
        angles, weights = [], []
        for row in gs.measure(piece).squares:
            angles.append(row.geometry.rotation_deg)
            weights.append(row.size**2)
        return float(np.radians(np.average(angles, weights=weights)))

    t = turn(scan) - turn(points)
    return np.array(((np.cos(t), -np.sin(t)), (np.sin(t), np.cos(t))))


def pieces_of(shape, ours, moved, size):
    """Distance of the scanned line from moved points, the points, and outward normals."""
    centre = 0.5 * (np.percentile(ours, 1, axis=0) + np.percentile(ours, 99, axis=0))
    u, v = ours - centre, moved - centre
    if shape == "circle":
        parts = [(np.arctan2(u[:, 1], u[:, 0]), np.hypot(*u.T), np.arctan2(v[:, 1], v[:, 0]),
                  np.hypot(*v.T), None)]  # fmt: skip
    else:
        parts = []
        for nx, ny in ((1, 0), (0, 1), (-1, 0), (0, -1)):
            on, there = (
                (p @ (nx, ny) > 0.6 * size) & (np.abs(p @ (-ny, nx)) < 0.93 * size) for p in (u, v)
            )
            parts.append((u[on] @ (-ny, nx), u[on] @ (nx, ny), v[there] @ (-ny, nx),
                          v[there] @ (nx, ny), (nx, ny, there)))  # fmt: skip
    for a, h, b, k, side in parts:
        order = np.argsort(a)
        a, h = a[order], h[order]
        if len(a) < 6:
            continue
        if side is None:
            a, h = np.concatenate((a - 2 * np.pi, a, a + 2 * np.pi)), np.tile(h, 3)
        line = interp1d(a, h, bounds_error=False)
        mine = line(b) - k
        good = np.isfinite(mine)
        here = moved if side is None else moved[side[2]]
        normal = (v / np.hypot(*v.T)[:, None] if side is None
                  else np.tile(side[:2], (len(mine), 1)).astype(float))  # fmt: skip
        yield mine[good], here[good], normal[good]


def main() -> int:
    """Print the table."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--diagnose", action="store_true")
    arguments.add_argument("--pictures", type=Path)
    arguments.add_argument("case", nargs="*", type=int)
    chosen = arguments.parse_args()
    if not PRACTICE.exists():
        print(f"no practice burns at {PRACTICE}: nothing to study")
        return 0
    folders = [f for f in sorted(PRACTICE.glob("case-*")) if (f / "scan.png").exists()]
    print("case     s  rings  points     u | scan against points, um: rms  mean  inner outer rings")
    for folder in folders:
        if chosen.case and int(folder.name[-3:]) not in chosen.case:
            continue
        test = gs.read_test(folder / "test.json")
        began = time.perf_counter()
        scan = gs.read_scan(folder / "scan.png", test)
        seconds = time.perf_counter() - began
        points = gs.read_points(folder / "points.csv", test)
        left, size = across_lines(scan, points)
        inner = size < np.median(size)
        u = 1e3 * float(np.median(np.concatenate(scan.uncertainty)))
        rings = len({(x.shape, x.ring) for x in scan.lines})
        print(
            f"{folder.name} {seconds:4.1f} {rings:4d} {scan.n_points:7d} {u:6.1f} | "
            f"{1e3 * np.sqrt(np.mean(left**2)):24.1f} {1e3 * left.mean():6.1f} "
            f"{1e3 * left[inner].mean():6.1f} {1e3 * left[~inner].mean():6.1f}"
        )
        if chosen.pictures:
            axes = scan.plot()
            axes.figure.savefig(chosen.pictures / f"{folder.name}.png", dpi=170)
        for name, table in tables(scan, points):
            print(f"  {name}: {table}")
        if chosen.diagnose:
            for what, piece in (("scan", scan), ("points", points)):
                print(f"  {what:6s} {gs.diagnose(piece)!r}")
    return 0


def tables(scan: gs.Piece, points: gs.Piece):
    """Roundness and size by ring of both, as rows of text."""
    ours, theirs = gs.measure(scan), gs.measure(points)
    a = {r.ring: r for r in ours.circles if r.pass_index <= 0}
    b = {r.ring: r for r in theirs.circles if r.pass_index <= 0}
    both = sorted(set(a) & set(b))
    if both:
        ratio = np.median([a[k].measured_size / b[k].measured_size for k in both])
        yield "ovality of circles, um, scan/points", " ".join(
            f"{1e3 * a[k].lobes.ovality:.0f}/{1e3 * b[k].lobes.ovality:.0f}" for k in both
            if a[k].lobes and b[k].lobes
        )  # fmt: skip
        yield (
            "roundness (minimum zone), um, scan/points",
            " ".join(
                f"{1e3 * a[k].path.minimum_zone.RONt:.0f}/{1e3 * b[k].path.minimum_zone.RONt:.0f}"
                for k in both
            ),
        )
        yield (
            "radius less points' at one scale, um",
            " ".join(
                f"{1e3 * (a[k].measured_size / ratio - b[k].measured_size):+.0f}" for k in both
            ),
        )
    c = {r.ring: r for r in ours.squares if r.pass_index <= 0}
    d = {r.ring: r for r in theirs.squares if r.pass_index <= 0}
    both = sorted(set(c) & set(d))
    if both:
        ratio = np.median([c[k].measured_size / d[k].measured_size for k in both])
        yield (
            "half side less points' at one scale, um",
            " ".join(
                f"{1e3 * (c[k].measured_size / ratio - d[k].measured_size):+.0f}" for k in both
            ),
        )


if __name__ == "__main__":
    raise SystemExit(main())
