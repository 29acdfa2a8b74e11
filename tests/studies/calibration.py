"""Draw machines from the priors, burn and diagnose them, and hold what is said against the truth.

    python tests/studies/calibration.py table.csv [--machines 100] [--first 0] [--processes 2]

One row a machine is appended to the table; numbers that stand there already are not drawn again,
so that an interrupted study goes on where it stopped.  With ``--machines 0`` the table is only
read.  Machine k is drawn with the seed sequence (2024, k): the same study gives the same machines.

Everything is drawn from what `gantrysim.inference` believes: the explanation (healthy or one fault,
by prior probability; flats, pairs and what is not in the list are left out, and so are lost steps,
which the inverse does not model), the healthy scatter, the sizes of the fault, the shared
discrepancy, the noise, the placement with the scanner's errors.  All factors on sizes
(`gantrysim.inference.assumptions.Scales`) and the noise have their usual values.  So this checks
the computation, and not whether the model is that of a real machine; for that see
`practice_cases.py`.

Sources: simulation-based calibration, S. Talts et al., "Validating Bayesian Inference Algorithms
with Simulation-Based Calibration", arXiv:1804.06788 (2018); coverage and counts against the exact
binomial distribution of `scipy.stats`.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lifted import lacked  # beside the tests

import gantrysim as gs
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.faults import Fault
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.inference.noise import BIN_LENGTH, Noise
from gantrysim.inference.parameters import values_at
from gantrysim.inference.problem import Problem
from gantrysim.instruments import burnedpiece as burned
from gantrysim.instruments.forward import Forward
from gantrysim.instruments.residual import Matched, match

SEED = 2024
#: Circles and squares up to 30 mm in one pass, a point every millimetre: about 1000 points.
TEST = gs.ring_test(spacing=6.0, largest=30.0, centre=(150.0, 140.0), feed=30.0)
#: Draws of the posterior against which the truth is ranked, and bins of their histograms.
DRAWS, BINS = 199, 10
LEVEL, BAND = 0.95, 0.99
#: Bins of stated probability.
EDGES = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0)
COLUMNS = (
    "machine", "truth", "variant", "best", "stated", "group", "certain", "converged",
    "size", "estimate", "low", "high", "size_rank", "names", "pulls", "ranks", "seconds",
)  # fmt: skip


# Machines and their pieces


@dataclass(frozen=True, eq=False)
class Drawn:
    """A machine drawn from the priors with the piece it burned."""

    kinds: tuple[Fault, ...]
    u: np.ndarray
    piece: gs.Piece
    refused: int

    @property
    def name(self) -> str:
        return self.kinds[0].name if self.kinds else "healthy"


def draw(number: int) -> Drawn:
    """Draw machine and piece of a number; a machine that cannot be built is drawn anew."""
    rng = np.random.default_rng(np.random.SeedSequence([SEED, number]))
    nominal, refused = gs.Machine(), 0
    problem = Problem(nominal, ())
    while True:
        kinds = _explanation(rng)
        u = rng.standard_normal(len(HEALTHY_SCATTER) + sum(len(k.parameters) for k in kinds))
        try:
            machine = problem.machine(kinds, u)
        except ValueError:
            refused += 1
            continue
        return Drawn(kinds, u, _burned(machine, rng), refused)


def _explanation(rng: np.random.Generator) -> tuple[Fault, ...]:
    """Healthy or one fault by prior probability, each of its variants alike."""
    catalogue = gs.Machine().catalogue()
    names = list(dict.fromkeys(kind.name for kind in catalogue.modelled))
    odds = [catalogue.prior(())]
    odds += [catalogue.prior((name,)) for name in names]
    chosen = int(rng.choice(len(odds), p=np.array(odds) / np.sum(odds)))
    if chosen == 0:
        return ()
    variants = catalogue.of_name(names[chosen - 1])
    return (variants[int(rng.integers(len(variants)))],)


def _burned(machine: gs.Machine, rng: np.random.Generator) -> gs.Piece:
    """Burn by the inverse's own forward model, with discrepancy and noise; lift and measure."""
    head = gs.Machine().head
    offset = np.array([head.along, head.beyond])
    forward = Forward.of(TEST, 1.0, offset, coarse=1.0)
    lines = forward.lines(forward.run(machine))
    place = burned.placement(np.zeros(6), rng.standard_normal(6))
    clean = gs.Piece(
        TEST, tuple(_moved(line, line.xy, place, forward.pivot) for line in lines), "clean"
    )
    matched = match(clean, forward, place)
    about = matched.about(place)
    error = lacked(machine, gs.Machine(), matched, place, rng) + _noise(matched, place, rng)
    normal = burned.outward_normals(matched, about)
    xy = about + matched.rings.centre[matched.group] + error[:, None] * normal
    measured = [
        _moved(line, xy[matched.group == k], place, forward.pivot) for k, line in enumerate(lines)
    ]
    return gs.Piece(TEST, tuple(measured), "drawn from the priors")


def _moved(
    line: gs.pattern.Line, xy: np.ndarray, place: np.ndarray, pivot: np.ndarray
) -> gs.pattern.Line:
    """Carry burned places into the frame of the lifted piece, see `residual.Matched.about`."""
    c, s = np.cos(place[0]), np.sin(place[0])
    scanner = np.array([[1.0 + place[3], place[5]], [0.0, 1.0 + place[4]]])
    there = (xy - pivot) @ (scanner @ np.array([[c, -s], [s, c]])).T + place[1:3]
    return gs.pattern.Line(line.shape, line.ring, line.size, line.pass_index, there)


def _noise(matched: Matched, place: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Noise of the points at its usual values, mm: white, of bins, of whole sides, and smooth."""
    noise = Noise()
    along, side = burned.along_lines(matched, place)
    out = noise.point * rng.standard_normal(along.size)
    for k in range(matched.rings.size.size):
        on = np.flatnonzero(matched.group == k)
        bin = np.floor(along[on] / BIN_LENGTH).astype(int)
        out[on] += (noise.grain * rng.standard_normal(bin.max() + 1))[bin]
        if side[on[0]] >= 0:
            out[on] += (noise.rest * rng.standard_normal(4))[side[on]]
        decay = np.exp(-np.diff(along[on], prepend=-np.inf) / noise.length)
        state = 0.0
        for i, d in zip(on, decay, strict=True):
            state = d * state + np.sqrt(1.0 - d * d) * noise.smooth * rng.standard_normal()
            out[i] += state
    return out


# One row a machine


def judge(number: int) -> list[str]:
    """Draw, burn and diagnose one machine, and hold the finding against the truth."""
    drawn = draw(number)
    began = time.perf_counter()
    finding = gs.diagnose(drawn.piece)
    seconds = time.perf_counter() - began
    faults = tuple(kind.name for kind in drawn.kinds)
    true = next(h for h in finding.ranked if h.faults == faults)
    stated = {h.name: round(h.probability, 6) for h in finding.ranked}
    size = _size(drawn, true, number)
    names, pulls, ranks = _quantities(drawn, true, number)
    values = (
        number, drawn.name, drawn.kinds[0].variant if drawn.kinds else "", finding.best.name,
        json.dumps(stated), int(faults in finding.group), int(finding.certain),
        int(true.fit.mode.converged), *size, json.dumps(names),
        json.dumps([round(p, 4) for p in pulls]), json.dumps(ranks), f"{seconds:.1f}",
    )  # fmt: skip
    return [str(v) for v in values]


def _size(drawn: Drawn, true: Hypothesis, number: int) -> tuple[object, ...]:
    """True size, estimate, 95 % interval, and rank of the truth among posterior draws."""
    if not drawn.kinds:
        return ("", "", "", "", "")
    n = len(HEALTHY_SCATTER)
    kind, mode = true.fit.mode.faults[0], true.fit.mode
    told = true.magnitudes[drawn.name]
    cut = slice(n, n + len(kind.parameters))
    rng = np.random.default_rng(np.random.SeedSequence([SEED, number, 1]))
    many = rng.multivariate_normal(mode.u[cut], mode.covariance[cut, cut], DRAWS, method="eigh")
    size = drawn.kinds[0].magnitude(*values_at(drawn.kinds[0].parameters, drawn.u[n:]))
    sizes = [kind.magnitude(*values_at(kind.parameters, v)) for v in many]
    return (size, told.estimate, told.low, told.high, rank(size, sizes))


def _quantities(
    drawn: Drawn, true: Hypothesis, number: int
) -> tuple[list[str], list[float], list[int]]:
    """Pull, and rank among draws, of the scatter and of the fault's parameters."""
    mode = true.fit.mode
    names = [s.parameter.name for s in HEALTHY_SCATTER]
    same = [k.key for k in mode.faults] == [k.key for k in drawn.kinds]
    if drawn.kinds and same:
        names += [f"{drawn.name}: {q.name}" for q in drawn.kinds[0].parameters]
    m = len(names)
    truth = drawn.u[:m]
    rng = np.random.default_rng(np.random.SeedSequence([SEED, number, 2]))
    sd = np.sqrt(np.diag(mode.covariance))[:m]
    pulls = (truth - mode.u[:m]) / sd
    draws = mode.u[:m] + sd * rng.standard_normal((DRAWS, m))  # ranks are of one at a time
    return names, pulls.tolist(), [rank(t, d) for t, d in zip(truth, draws.T, strict=True)]


def rank(truth: float, draws: Sequence[float] | np.ndarray) -> int:
    """How many draws lie below the truth: 0 to their number, all alike if they fit it."""
    return int(np.sum(np.asarray(draws) < truth))


# The table


def read_rows(path: Path) -> list[dict[str, str]]:
    """Rows of a table; a row cut short by an interruption is left out."""
    if not path.exists():
        return []
    with path.open(newline="") as file:
        head, *rows = list(csv.reader(file)) or [[]]
    if tuple(head) != COLUMNS:
        raise ValueError(f"{path}: not a table of this study; its columns are {head}")
    return [dict(zip(COLUMNS, r, strict=True)) for r in rows if len(r) == len(COLUMNS)]


def append(path: Path, row: Sequence[str]) -> None:
    """Append a row, after the head of a new table; nothing that stands there is touched."""
    text = path.read_text() if path.exists() else ""
    with path.open("a", newline="") as file:
        if text and not text.endswith("\n"):
            file.write("\n")
        writer = csv.writer(file, lineterminator="\n")
        if not text:
            writer.writerow(COLUMNS)
        writer.writerow(row)


def study(path: Path, numbers: Iterable[int], processes: int, minutes: float) -> None:
    """Judge machines in several processes and append each as it comes in."""
    have = {int(r["machine"]) for r in read_rows(path)}
    left = [k for k in numbers if k not in have]
    began, done = time.perf_counter(), 0
    ahead = iter(left)
    running: set[Future[list[str]]] = set()
    with ProcessPoolExecutor(processes) as pool:
        while True:
            spent = (time.perf_counter() - began) / 60.0
            if spent < minutes:
                running |= {pool.submit(judge, k) for k in islice(ahead, processes - len(running))}
            if not running:
                break
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for task in finished:
                append(path, task.result())
                done += 1
            print(f"\r{done} of {len(left)} machines, {spent:.1f} min", end="", flush=True)
    print()


# What it says


def binomial_band(n: int, p: float, level: float = BAND) -> tuple[int, int]:
    """Fewest and most of n trials that come true with probability p, equal tails left out."""
    low, high = stats.binom.ppf([0.5 - level / 2, 0.5 + level / 2], n, p)
    return int(low), int(high)


def rank_test(ranks: Sequence[int], draws: int = DRAWS, bins: int = BINS) -> tuple[float, float]:
    """Chi-square of the histogram of ranks against an even one, and its probability."""
    counts = np.bincount(np.asarray(ranks) * bins // (draws + 1), minlength=bins)
    found = stats.chisquare(counts)
    return float(found.statistic), float(found.pvalue)


def reliability(pairs: Iterable[tuple[float, bool]]) -> list[tuple[float, float, int, int, float]]:
    """Bins of stated probability: from, to, how many, how many right, mean stated."""
    stated, right = (np.array(v) for v in zip(*pairs, strict=True))
    where = np.clip(np.searchsorted(EDGES, stated, side="right") - 1, 0, len(EDGES) - 2)
    rows = []
    for k in range(len(EDGES) - 1):
        on = where == k
        if on.any():
            n, m, mean = int(on.sum()), int(right[on].sum()), float(stated[on].mean())
            rows.append((EDGES[k], EDGES[k + 1], n, m, mean))
    return rows


def among_drawn(stated: dict[str, float]) -> dict[str, float]:
    """Stated probabilities given that it is one of the explanations that were drawn."""
    names = {"healthy", *(kind.name for kind in gs.Machine().catalogue().modelled)}
    kept = {k: v for k, v in stated.items() if k in names}
    total = sum(kept.values())
    return {k: v / total for k, v in kept.items()} if total > 0.0 else kept


def report(rows: list[dict[str, str]]) -> list[str]:
    """Compose the tables."""
    right = sum(r["best"] == r["truth"] for r in rows)
    grouped = sum(r["group"] == "1" for r in rows)
    healthy = [r for r in rows if r["truth"] == "healthy"]
    blamed = [r for r in healthy if r["best"] != "healthy"]
    sure = [r for r in rows if r["certain"] == "1"]
    out = [
        f"{len(rows)} machines: named rightly {right}, right or in the group {grouped}",
        f"healthy {len(healthy)}: something else first {len(blamed)}, "
        f"certain of it {sum(r['certain'] == '1' for r in blamed)}",
        f"certain {len(sure)}: right {sum(r['best'] == r['truth'] for r in sure)}",
        f"true explanation not converged {sum(r['converged'] == '0' for r in rows)}",
    ]
    out += ["", "Stated probabilities (of what was drawn), all explanations:"]
    shares = [(among_drawn(json.loads(r["stated"])), r["truth"]) for r in rows]
    out += _reliability_lines((p, k == truth) for s, truth in shares for k, p in s.items())
    out += ["", "The most probable explanation only:"]
    tops = [(max(s, key=lambda k: s[k]), s, truth) for s, truth in shares if s]
    out += _reliability_lines((s[k], k == truth) for k, s, truth in tops)
    out += ["", f"Sizes of the true fault: {LEVEL:.0%} intervals and ranks"]
    out += _size_lines([r for r in rows if r["truth"] != "healthy"])
    out += ["", f"Quantities of the true explanation: {LEVEL:.0%} intervals and ranks"]
    return out + _quantity_lines(rows)


def _reliability_lines(pairs: Iterable[tuple[float, bool]]) -> list[str]:
    lines = ["  stated           n  right  expected  99 % band"]
    for low, high, n, m, mean in reliability(pairs):
        a, b = binomial_band(n, mean)
        mark = "" if a <= m <= b else "  OUTSIDE"
        lines.append(f"  {low:4.2f}..{high:4.2f} {n:6d} {m:6d} {n * mean:9.1f}  {a}..{b}{mark}")
    return lines


def _size_lines(rows: list[dict[str, str]]) -> list[str]:
    def inside(r: dict[str, str]) -> bool:
        return float(r["low"]) <= float(r["size"]) <= float(r["high"])

    settled = [r for r in rows if r["converged"] == "1"]
    lines = [_coverage_line("all", [inside(r) for r in rows], [int(r["size_rank"]) for r in rows])]
    cover, ranks = [inside(r) for r in settled], [int(r["size_rank"]) for r in settled]
    lines.append(_coverage_line("all whose search settled", cover, ranks))
    for name in sorted({r["truth"] for r in rows}):
        own = [r for r in rows if r["truth"] == name]
        lines.append(_coverage_line(name, [inside(r) for r in own], []))
    return lines


def _quantity_lines(rows: list[dict[str, str]]) -> list[str]:
    pulls: dict[str, list[float]] = {}
    ranks: dict[str, list[int]] = {}
    for r in rows:
        names, p, k = (json.loads(r[c]) for c in ("names", "pulls", "ranks"))
        for name, pull, place in zip(names, p, k, strict=True):
            pulls.setdefault(name, []).append(pull)
            ranks.setdefault(name, []).append(place)
    limit = float(stats.norm.ppf(0.5 + LEVEL / 2))
    scatter = [s.parameter.name for s in HEALTHY_SCATTER]
    together = [abs(p) < limit for name in scatter for p in pulls.get(name, [])]
    lines = [_coverage_line("all healthy scatter (not independent)", together, [])]
    for name in [*scatter, *sorted(set(pulls) - set(scatter))]:
        own = np.array(pulls.get(name, []))
        tail = f"  pull {own.mean():+.2f} +- {own.std():.2f}" if own.size > 1 else ""
        enough = ranks[name] if own.size >= 5 * BINS else []
        lines.append(_coverage_line(name, list(np.abs(own) < limit), enough) + tail)
    return lines


def _coverage_line(name: str, inside: Sequence[bool], ranks: Sequence[int]) -> str:
    n, m = len(inside), int(np.sum(inside))
    a, b = binomial_band(n, LEVEL)
    text = f"  {name:38s} {m:5d} of {n:5d} ({a}..{b}){'' if a <= m <= b else ' OUTSIDE'}"
    if len(ranks) >= 5 * BINS:
        chi, p = rank_test(ranks)
        text += f"  chi2({BINS - 1}) {chi:5.1f} p {p:.3f}{' OUTSIDE' if p < 1 - BAND else ''}"
    return text


def main(arguments: Sequence[str]) -> int:
    """Go on with the study and print its tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("table", type=Path, help="CSV that rows are appended to")
    parser.add_argument("--machines", type=int, default=100, help="how many, by default 100")
    parser.add_argument("--first", type=int, default=0, help="number of the first machine")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=np.inf, help="begin none after this")
    given = parser.parse_args(arguments)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if given.machines:
        numbers = range(given.first, given.first + given.machines)
        study(given.table, numbers, given.processes, given.minutes)
    rows = read_rows(given.table)
    print("\n".join(report(rows)) if rows else "no machines yet")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
