"""Attack every reader with spoiled files and every public callable with wrong arguments; count.

    python tests/studies/attack.py [--files 200] [--wrong 3] [--seed 1] [--only files|arguments]

Files: good ones of every kind, spoiled by one to three mutations (bytes turned, parts cut out,
doubled, moved or repeated thousands of times, numbers and fields replaced by hostile ones, brackets
opened, the end cut off), and for each kind what is no file or far too large.  A reader may give
what it read, which must then show itself without error, or raise ValueError with one sentence that
begins with the file.  Everything else is an offence: another exception, a raw or a long sentence,
more than `SLOW` seconds of processor time.

Arguments: each parameter of each public callable is handed things of kinds that it cannot take, and
each number extreme ones; the others are as they should be.  It may raise TypeError or ValueError
with one sentence, or take an extreme number.

Every case is drawn from a generator of its own, of the seed and the number of the case, so that an
offence is met again by the same arguments.  The exit code is 1 if there was one.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import random
import resource
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import test_public_doors as doors
from onefinding import finding_of

import gantrysim as gs
from gantrysim.instruments import DialReading, DialSheet
from gantrysim.instruments.dial import read_dial
from gantrysim.part import PartReading, PartSheet, read_drawing, read_features, read_part_sheet

#: Seconds of processor time that one file or one call may take.
SLOW = 10.0
#: Characters of a sentence, its file left out.
LONG = 700
TEST = gs.ring_test(("circle",), spacing=10.0, largest=40.0)
HOSTILE = (
    "", "0", "-1", "1e308", "-1e308", "1e999", "nan", "NaN", "Infinity", "null", "true", "[]", "{}",
    '""', '"a"', "9" * 30, "9" * 5000, "1_0", "0x10", "\u0663", "\u2028", "\ufeff", "'", '"', "\\",
    "#", "=", ";", "(", ")", "<", ">", "&amp;", "<!--", "/*", "M0 0", "G2", "../a", "[[[", "a.b.c",
)  # fmt: skip
VALUES = (
    None, True, -1, 0, 10**30, 10**400, 1e308, -1e308, 5e-324, 0.5, "", "a", "9" * 400, [], {},
    [[]], {"a": None}, [None] * 3, "circle", "2031-04-05", [1e308] * 3, math.pi,
)  # fmt: skip


class TooSlow(BaseException):
    """A call was stopped: no reader may catch it."""


def stopped(*_: Any) -> None:
    raise TooSlow


def timed(seconds: float) -> None:
    """Stop what takes so much processor time, or waits ten times as long; 0 for no longer."""
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 10.0 * seconds)


Reader = Callable[[Path], Any]


def kinds(folder: Path) -> dict[str, tuple[Path, Reader]]:
    """A good file of each kind, and what reads it."""
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 5.0))
    piece = finding_piece(machine)
    finding = finding_of(piece)
    log = gs.new_log(folder / "log.json", gs.Machine(), name="Alder")
    log.burned(piece, finding, date="2031-04-05").adjusted(
        gs.decisions.Change("tight_wheels_left", 3.0, place="nut left", way="turned back")
    )
    square = gs.ring_test(("square",), spacing=20.0, largest=20.0)
    drawing = read_drawing(square.to_svg(folder / "part.svg"))
    name = drawing.names[0]
    (folder / "names.json").write_text(json.dumps({"rename": {name: "plate"}}))
    sheet = PartSheet(drawing, (PartReading(name, drawing[name].drawn, 40.1),), "bench")
    pushed = gs.push(machine, place=(200.0, 200.0))
    i = gs.instruments
    calipers = i.CaliperReading("circle", 3, 40.0, "diameter_0", 80.02)
    tone = i.ToneReading("left", 300.0, 8.4, 60.0, 1.0)
    dial = DialReading("right", "lag", (200.0, 200.0), 10.0, 0.1)
    return {
        "test": (TEST.save(folder / "test.json"), gs.read_test),
        "machine": (gs.save_machine(machine, folder / "machine.toml"), gs.read_machine),
        "finding": (finding.save(folder / "finding.json"), gs.read_finding),
        "log": (folder / "log.json", gs.open_log),
        "drawing": (TEST.to_svg(folder / "drawing.svg"), gs.read_svg),
        "part": (folder / "part.svg", read_drawing),
        "features": (folder / "names.json", lambda path: read_features(path, drawing)),
        "program": (square.to_motion_code(folder / "program.nc"), gs.read_motion_code),
        "points": (piece.to_csv(folder / "points.csv"), lambda path: gs.read_points(path, TEST)),
        "calipers": (
            i.CaliperSheet(TEST, (calipers,), "bench").to_csv(folder / "calipers.csv"),
            lambda path: gs.read_calipers(path, TEST),
        ),
        "push": (i.PushSheet.of(pushed, np.random.default_rng(1)).to_csv(folder / "push.csv"),
                 gs.read_push),
        "tones": (i.ToneSheet((tone,), "bench").to_csv(folder / "tones.csv"), gs.read_tones),
        "dial": (DialSheet((dial,), "bench").to_csv(folder / "dial.csv"), read_dial),
        "part sheet": (
            sheet.to_csv(folder / "part.csv"), lambda path: read_part_sheet(path, drawing)
        ),
        "scan": (
            gs.simulate(machine, TEST).image(dpi=80).save(folder / "scan.png"),
            lambda path: gs.read_scan(path, TEST),
        ),
    }  # fmt: skip


def finding_piece(machine: gs.Machine) -> gs.Piece:
    """A piece of a few points, so that its log is short enough to be spoiled everywhere."""
    burn = gs.simulate(machine, TEST, step=4.0)
    return gs.Piece(TEST, tuple(burn.lines), "bench")


# Spoiling


def spoiled(content: bytes, rng: random.Random) -> bytes:
    """A file after one to three mutations; in half of all cases they leave its syntax whole."""
    mutations = rng.choice((MUTATIONS, (field_changed,)))
    for _ in range(rng.randint(1, 3)):
        content = rng.choice(mutations)(content, rng)
    return content


def _span(content: bytes, rng: random.Random) -> tuple[int, int]:
    begin = rng.randrange(len(content) + 1)
    return begin, min(len(content), begin + int(10 ** rng.uniform(0.0, 3.0)))


def turned(content: bytes, rng: random.Random) -> bytes:
    out = bytearray(content)
    for _ in range(rng.randint(1, 8) if out else 0):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def cut(content: bytes, rng: random.Random) -> bytes:
    begin, end = _span(content, rng)
    return content[:begin] + content[end:]


def ended(content: bytes, rng: random.Random) -> bytes:
    return content[: rng.randrange(len(content) + 1)]


def moved(content: bytes, rng: random.Random) -> bytes:
    begin, end = _span(content, rng)
    rest = content[:begin] + content[end:]
    to = rng.randrange(len(rest) + 1)
    return rest[:to] + content[begin:end] + rest[to:]


def repeated(content: bytes, rng: random.Random) -> bytes:
    begin, end = _span(content, rng)
    part = content[begin:end] if rng.random() < 0.5 else rng.choice(HOSTILE).encode()
    return content[:begin] + part * int(10 ** rng.uniform(0.3, 4.0)) + content[end:]


def swapped(content: bytes, rng: random.Random) -> bytes:
    """A word or a number replaced by something hostile."""
    begin = rng.randrange(len(content) + 1)
    marks = b" \t\n,;=<>\"'()[]{}:"
    while begin < len(content) and content[begin] in marks:
        begin += 1
    end = begin
    while end < len(content) and content[end] not in marks:
        end += 1
    return content[:begin] + rng.choice(HOSTILE).encode() + content[end:]


def field_changed(content: bytes, rng: random.Random) -> bytes:
    """A value anywhere in a JSON file replaced, left out or doubled; of others, a word."""
    try:
        tree = json.loads(content)
    except (ValueError, RecursionError):
        return swapped(content, rng)
    places: list[tuple[Any, Any]] = []
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        inner = list(node.items() if isinstance(node, dict) else enumerate(node))[:40]
        places += [(node, key) for key, _ in inner]
        waiting += [value for _, value in inner if isinstance(value, dict | list)]
    if not places:
        return content
    node, key = rng.choice(places)
    what = rng.random()
    if what < 0.15:
        del node[key]
    elif what < 0.3 and isinstance(node, dict):
        node["extra"] = node[key]
    else:
        node[key] = rng.choice(VALUES)
    return json.dumps(tree).encode()


MUTATIONS = (turned, cut, ended, moved, repeated, swapped, swapped, field_changed, field_changed)


def special(folder: Path, ending: str) -> Iterator[tuple[str, Path]]:
    """What is no file, says nothing, or is far too large."""
    pipe = folder / f"pipe{ending}"
    os.mkfifo(pipe)
    yield "pipe", pipe
    for name in ("/dev/zero", "/dev/null", "/proc/kmsg", "/proc/self/mem", "/proc/self/mounts"):
        if Path(name).exists():
            yield name, Path(name)
    yield "folder", folder
    makers: dict[str, Callable[[Any], Any]] = {
        "hole": lambda stream: stream.truncate(3_000_000_000),
        "blanks": lambda stream: stream.write(b" " * 30_000_000),
        "lines": lambda stream: stream.write(b"\n" * 1_900_000),
        "signs": lambda stream: stream.write(b"a,1 " * 450_000),
        "zeros": lambda stream: stream.write(bytes(1_900_000)),
        "empty": lambda stream: None,
    }
    for name, make in makers.items():
        path = folder / f"{name}{ending}"
        with path.open("wb") as stream:
            make(stream)
        yield name, path
        path.unlink()
    loop = folder / f"loop{ending}"
    loop.symlink_to(loop)
    yield "link to itself", loop


# Judging


def judged(path: Path, read: Reader) -> tuple[str, str, float]:
    """How a reader took a file: read, refused or an offence; what it said; seconds."""
    begin = time.process_time()
    timed(SLOW)
    said, how = "", "read"
    try:
        found = read(path)
        how = "shown badly"
        shown = getattr(found, "report", getattr(found, "summary", None))
        said = f"{found!r} {shown() if callable(shown) else ''}"
        how = "read"
    except (ValueError, OSError) as error:
        said = f"{type(error).__name__}: {error}"
        plain = str(error).removeprefix(str(path))
        whole = str(error).endswith((".", "?")) and len(str(error).splitlines()) == 1
        good = str(error).startswith(str(path)) and whole and len(plain) < LONG
        if how == "read":
            how = "refused" if good and not doors.RAW.search(plain) else "said badly"
    except TooSlow:
        how = "slow"
    except Exception as error:
        said = f"{type(error).__name__}: {error}"
        how = "raw" if how == "read" else how
    finally:
        timed(0.0)
    return how, said, time.process_time() - begin


def attack_files(count: int, seed: int, folder: Path) -> int:
    """Every reader; returns how many offences."""
    offences = 0
    print(f"{'':12} {'read':>6} {'refused':>8} {'offences':>9} {'worst, s':>9}")
    for name, (good, read) in kinds(folder).items():
        how, said, _ = judged(good, read)
        if how != "read":
            raise AssertionError(f"the good {name} is not read: {said}")
        content, tally, worst, bad = good.read_bytes(), Counter[str](), 0.0, []
        path = folder / f"spoiled{good.suffix}"
        fewer = count if name != "scan" else count // 10
        for case in range(fewer):
            path.write_bytes(spoiled(content, random.Random(f"{seed} {name} {case}")))
            how, said, taken = judged(path, read)
            tally[how] += 1
            worst = max(worst, taken)
            if how not in ("read", "refused"):
                bad.append(
                    f"    {name} case {case}: {how}: {said.replace(str(path), 'FILE')[:200]}"
                )
        with tempfile.TemporaryDirectory() as other:
            for what, there in special(Path(other), good.suffix):
                how, said, taken = judged(there, read)
                tally[how] += 1
                worst = max(worst, taken)
                if how != "refused":
                    bad.append(f"    {name}, {what}: {how}: {said[:200]}")
        offences += len(bad)
        print(f"{name:12} {tally['read']:6} {tally['refused']:8} {len(bad):9} {worst:9.2f}")
        print("\n".join(bad[:12]), end="\n" if bad else "", flush=True)
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
    return offences


# Arguments


class Odd:
    """Things that fit no parameter, and numbers that fit few."""

    STRANGE = (
        b"bytes", 1j, ValueError("x"), np.datetime64("2031-01-01"), {1.5: [None]},
        [[doors.Stranger()]], (doors.Stranger(),), type("T", (), {}), doors.Stranger(),
    )  # fmt: skip
    EXTREME = (
        1e308, -1e308, 5e-324, -5e-324, 0.0, -1.0, 1e-9, 1e9, 10**30, -(10**30), 2**63, math.inf,
        -math.inf, np.float32(1e30), np.int64(-1), np.float64("nan"),
    )  # fmt: skip


def strangers(hint: str) -> bool:
    """Whether a type hint leaves no doubt that it takes nothing of `Odd.STRANGE`."""
    return not {"Any", "object", "type", "Callable", "Mapping"} & set(
        doors.re.findall(r"\w+", hint)
    )


def call(function: Callable[..., Any], given: dict[str, Any], rest: tuple[Any, ...]) -> str:
    """How a callable takes arguments: taken, refused, slow, or what is wrong with the answer."""
    timed(SLOW)
    try:
        function(*rest, **given)
    except (TypeError, ValueError, FileNotFoundError, FileExistsError) as error:
        text = str(error)
        plain = len(text.splitlines()) == 1 and not doors.RAW.search(text) and len(text) < LONG
        return "refused" if plain else f"{type(error).__name__}: {text}"
    except TooSlow:
        return "slow"
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    finally:
        timed(0.0)
    return "taken"


def attack_arguments(wrong: int, seed: int, folder: Path) -> int:
    """Every public callable; returns how many offences."""
    os.chdir(folder)
    known = doors.gathered(doors.things())
    tally: dict[str, Counter[str]] = {"strange": Counter(), "extreme": Counter()}
    bad: list[str] = []
    for name, thing in sorted(doors.public().items()):
        for label, function, arguments in doors.doors(name, thing, known):
            for p in doors.parameters(function):
                rng = random.Random(f"{seed} {label} {p.name}")
                hint = str(p.annotation)
                tried = [("strange", v) for v in rng.sample(Odd.STRANGE, wrong) if strangers(hint)]
                words = set(doors.re.findall(r"\w+", hint))
                if words & {"float", "int", "Count", "Place", "Unbounded"}:
                    tried += [("extreme", v) for v in rng.sample(Odd.EXTREME, wrong)]
                for how, value in tried:
                    given = {**arguments, p.name: value}
                    rest = (given.pop(p.name),) if p.kind is p.VAR_POSITIONAL else ()
                    answer = call(function, given, rest)
                    fine = answer == "refused" or (how == "extreme" and answer == "taken")
                    tally[how][answer if answer in ("refused", "taken", "slow") else "raw"] += 1
                    if not fine:
                        bad.append(f"    {label}({p.name}={value!r:.40}): {answer[:160]}")
    for how, counts in tally.items():
        print(f"{how} arguments: " + ", ".join(f"{n} {what}" for what, n in counts.items()))
    print("\n".join(bad), end="\n" if bad else "", flush=True)
    return len(bad)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=200, help="spoiled files of each kind")
    parser.add_argument("--wrong", type=int, default=3, help="wrong things for each parameter")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("files", "arguments"))
    options = parser.parse_args()
    signal.signal(signal.SIGPROF, stopped)
    signal.signal(signal.SIGALRM, stopped)
    warnings.simplefilter("ignore")
    found = 0
    with tempfile.TemporaryDirectory() as name, contextlib.chdir(name):
        if options.only != "arguments":
            found += attack_files(options.files, options.seed, Path(name))
        if options.only != "files":
            found += attack_arguments(options.wrong, options.seed, Path(name))
    print(f"{found} offences")
    sys.exit(bool(found))


if __name__ == "__main__":
    main()
