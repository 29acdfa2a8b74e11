"""Every public function, constructor and method says in one sentence what it does not take.

The walk hands wrong kinds of objects, one at a time, to every parameter of every public callable,
with the other arguments as they should be.  A public callable that the tables below leave out
fails the test.
"""

import dataclasses
import importlib
import inspect
import math
import re
import threading
import time
from collections.abc import Iterable
from types import GenericAlias, SimpleNamespace
from typing import Any, TypeVar

import matplotlib as mpl
import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

import gantrysim as gs
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.instruments.photo.plane import Plane
from gantrysim.records.doors import checked, kind_of

mpl.use("Agg")

PACKAGES = (
    "machine", "pattern", "mechanics", "burn", "formats", "faults", "instruments", "metrology",
    "inference", "decisions", "part", "acceptance", "log", "report", "plotting",
)  # fmt: skip

#: One sentence of the dialect: what, must be or must be given, what was found.
SENTENCE = re.compile(r"[^\n]+\bmust (be|have|hold|lie|give|keep|start|end)\b[^\n]+\.")
#: What the interpreter and numpy say of their own accord.
RAW = re.compile(
    r"unsupported operand|has no attribute|not iterable|unexpected keyword|object is not|"
    r"not supported between|could not (convert|broadcast)|positional argument|has no len|"
    r"not subscriptable|ufunc|Traceback|cannot unpack|indices must"
)
#: Seconds that a refusal may take; the first call compiles nothing and reads no file.
QUICK = 1.0


class Stranger:
    """An object of a class that nothing here knows."""


WRONG = (
    None, 3, "text", np.array("text"), [], object(), math.nan, Stranger(), {"a": Stranger()},
    [Stranger()],
)  # fmt: skip


def public():
    """Every public callable by its full name, classes included."""
    found = {f"gantrysim.{name}": getattr(gs, name) for name in dir(gs)}
    for package in PACKAGES:
        home = importlib.import_module(f"gantrysim.{package}")
        found |= {f"{package}.{name}": getattr(home, name) for name in home.__all__}
    unique = {}
    for name, thing in found.items():
        if callable(thing) and (inspect.getmodule(thing).__name__).startswith("gantrysim"):
            unique.setdefault(thing, name)
    return {name: thing for thing, name in unique.items()}


TEST = gs.ring_test(spacing=10.0, largest=20.0, smallest=10.0)
MACHINE = gs.Machine()
NOISE = gs.metrology.PointNoise(point=0.01)
ROUND = np.array([(20 * math.cos(a), 20 * math.sin(a)) for a in np.linspace(0, 6.25, 200)])
LOOK = gs.decisions.Look("scale_x", "turn it")
MATING = gs.part.Mating("H1", (9.8, 0.1), (0.0, 0.4))
DIAL = gs.instruments.DialReading("right", "lag", (200.0, 200.0), 10.0, 0.1)


def measured(piece):
    """Measures of every kind."""
    m = gs.metrology
    both = [
        gs.simulate(MACHINE, gs.ring_test(spacing=10.0, largest=20.0, passes=2, direction=way))
        for way in ("ccw", "cw")
    ]
    sheet = gs.instruments.CaliperSheet
    reading = gs.instruments.CaliperReading("circle", 0, 10.0, "diameter_0", 20.0)
    circle = gs.measure(both[0])
    return (
        circle, gs.measure(sheet(TEST, (reading,), "bench")), m.measure_both_ways(*both),
        m.filtered_profile(ROUND), m.roundness_interval(ROUND, NOISE, trials=100),
        m.positioning([1.0, 2.0, 3.0], [[0, 0, 0]] * 3, [[0, 0, 0]] * 3), m.roundness(ROUND),
        m.harmonics(ROUND, 5), circle.quantities[0] if hasattr(circle, "quantities") else (),
        m.PassDrift("circle", 0, (0, 1), ((0.0, 0.0),) * 2, (0.0, 0.0)), m.Gap((0.0, 0.1)),
        m.SizeFit("circle diameter", 3, 1.0, 0.1, 0.0, 0.1, 0.01),
        gs.instruments.FlatPicture(
            np.zeros((9, 9), np.uint8), 0.1, (0.0, 0.0), Plane(np.zeros(9), np.eye(9), (9, 9), 0.1),
            1.0, 0.1, 0.0, np.eye(3), "photo.jpg",
        ),
        gs.instruments.ScanRecord(
            ("scan.png",), (600.0, 600.0), 99, 0.0, True, np.eye(2), np.zeros(2),
            {("circle", 0): 0.1},
        ),
    )  # fmt: skip


def faults():
    """One of every fault."""
    f = gs.faults
    return (
        f.TightWheels("left", 3.0), f.TightCarriage(3.0), f.LooseWheels("left", 0.1, 0.5),
        f.LooseCarriage(0.1), f.SlackBelt("left", 0.5), f.CouplerBacklash(0.1), f.CouplerSlip(0.1),
        f.OutOfSquare(0.1), f.ScaleError("x", 0.001), f.PulleyRunout("left", 0.01),
    )  # fmt: skip


def parts():
    """A plate with a hole, and what is said of it."""
    p = gs.part
    corners = [(150.0, 150.0), (180.0, 150.0), (180.0, 170.0), (150.0, 170.0)]
    move = gs.pattern.Move
    moves = [move((0.0, 0.0), corners[0], False, 90.0)]
    moves += [move(corners[k - 1], corners[k], True, 20.0) for k in (1, 2, 3, 0)]
    moves += [move(corners[0], (170.0, 160.0), False, 90.0)]
    moves += [move((170.0, 160.0), (170.0, 160.0), True, 20.0, (165.0, 160.0), math.tau)]
    drawing = p.drawing_of(gs.Toolpath(tuple(moves)))
    predicted = p.predict_part(MACHINE, drawing, motion="slow")
    matings = p.predict_matings(MACHINE, drawing, [MATING], motion="slow")
    sheet = p.PartSheet(drawing, (p.PartReading("W1", 30.0, 29.9),), "bench")
    judged = p.judge_part(MACHINE, drawing, sheet, healthy=MACHINE, motion="slow")
    read = p.ScannedSize("W1", 30.0, 29.9, 0.01, 0.03, 0.0, 0.0, 0.06)
    scanned = p.ScannedPart(drawing, (read,), "scan.png")
    return (
        drawing,
        drawing["W1"],
        predicted,
        predicted.sizes,
        matings,
        MATING,
        sheet,
        scanned,
        judged,
    )


def things():
    """One object of every public class, found in what a short day at the bench makes."""
    rng = np.random.default_rng(1)
    burn = gs.simulate(MACHINE, TEST)
    lines = tuple(
        dataclasses.replace(line, xy=line.xy[::4] + rng.normal(0, 0.01, line.xy[::4].shape))
        for line in burn.lines
    )
    piece = gs.Piece(TEST, lines, "bench")
    fit = gs.fit(piece, MACHINE, ["coupler_slip"])
    best = Hypothesis(("coupler_slip",), 1.0, fit.magnitudes, (), 0.0, "slip", "", fit)
    finding = gs.Finding((piece,), MACHINE, (best,))
    push = gs.push(MACHINE, place=(200.0, 200.0))
    path = gs.Toolpath((gs.pattern.Move((0, 0), (9, 0), True, 40.0),))
    square = gs.ring_test(("square",), spacing=10.0, largest=20.0)
    i = gs.instruments
    return (
        MACHINE, piece, fit, finding, push, path, square, burn,
        gs.machine.Handbook(), gs.advise(finding, draws=20), fit.profile("coupler_slip", points=5),
        gs.accept(piece, gs.Tolerance(roundness=0.2), draws=100), finding.belief(),
        gs.what_can_be_told(TEST, faults=["coupler_slip"]), gs.new_log(None, MACHINE, name="Alder"),
        gs.simulate(MACHINE, path), gs.simulate(MACHINE, TEST, inertia=True), burn.image(dpi=60.0),
        gs.simulate_many([MACHINE], TEST), gs.burn.Failure(0, MACHINE, "no", "ValueError"),
        i.CaliperSheet(TEST, (i.CaliperReading("circle", 0, 10.0, "diameter_0", 20.0),), "bench"),
        i.PushSheet.of(push, rng),
        i.ToneSheet((i.ToneReading("left", 300.0, 8.4, 60.0, 1.0),), "plucked"),
        *measured(piece), *faults(), gs.pattern.ScaleReference((0, 0), (9, 0), 9.0), NOISE,
        gs.decisions.Change("scale_x", 1.0),

        gs.decisions.Proposal(LOOK, "look", "much", 9.0, 1.0, 0.1, (0.1, 0.2), ()), LOOK,
        gs.faults.WheelFlat("left", 0.02), *MACHINE.catalogue().sought, MACHINE.catalogue(),
        *parts(), *gs.instruments.INSTRUMENTS, i.DialSheet((DIAL,), "bench"), DIAL,
        i.Card(), i.Grid(10.0, 3, 4), i.Rule(1.0, 10.0, [(0, 0), (9, 9)]), i.ScannerError(),
    )  # fmt: skip


def gathered(things):
    """Every object that these hold, themselves included, by its class."""
    found = {}
    rest = list(things)
    while rest:
        thing = rest.pop()
        if isinstance(thing, tuple | list):
            rest += thing[:3]
        elif isinstance(thing, dict):
            rest += list(thing.values())[:3]
        elif dataclasses.is_dataclass(thing) and type(thing) not in found:
            found[type(thing)] = thing
            rest += [getattr(thing, field.name) for field in dataclasses.fields(thing)]
    return found


#: Arguments as they should be, by the name of the parameter, for whatever must be given one.
USUAL = {
    "path": "there_is_no_such_file.csv", "test": TEST, "machine": MACHINE, "shape": "circle",
    "ring": 0, "position": 100.0, "step": 0.5, "xy": ROUND, "nominal_radius": 20.0, "order": 3,
    "k": 0, "strain": 3e-4,
    "cutoff": 15.0, "noise": NOISE, "load": 20.0, "span": 430.0, "place": "span", "value": 430.0,
    "in_drawing_order": True, "half_side": 20.0, "direction_deg": 30.0, "targets": [1.0, 2.0, 3.0],
    "up": [[0, 0, 0]] * 3, "down": [[0, 0, 0]] * 3, "along": [0.0, 1.0, 2.0], "trials": 3,
    "rng": np.random.default_rng(1), "covariance": np.eye(3), "grey": np.zeros((9, 9), np.uint8),
    "ccw": ROUND, "cw": ROUND[::-1], "base": 75.0, "drag": 3.0, "fault": "coupler_slip", "count": 2,
    "name": "Alder", "title": "A slip", "turn": 1.0, "what": "sizes", "axis": "x", "size": 10.0,
    "needed": 3.0, "error": 0.3, "nominal": MACHINE, "tolerance": gs.Tolerance(roundness=0.2),
    "readings": (gs.instruments.ToneReading("left", 300.0, 8.4, 60.0, 1.0),), "wheel": "front",
    "side": "left", "degrees": 3.0, "changes": {"span": 430.0}, "approach": {"front": 0.1},
    "rows": np.zeros((2, 3)), "values": np.zeros(2), "variance": np.ones(2), "pass_index": 0,
    "wheels": MACHINE.left.wheels, "angles": {"front": 9.0, "back": 9.0},
    "reference": gs.instruments.Card(),
    "machines": [MACHINE], "absent": ("belt_x",), "faults": ["coupler_slip"],
    "outline": "slot-A", "intended": {"W1": 30.0},
    "names": ("coupler_slip",), "matings": [MATING], "known": MACHINE, "content": {},
    "kind": "slot", "off": 0.1, "shown": "pieces", "others": (), "one": "coupler_slip",
    "handbook": gs.machine.Handbook(), "spot": ROUND, "normal": ROUND,
    "scatter": MACHINE.catalogue().scatter, "rings": [("circle", 0)], "tests": [TEST],
    "reading": gs.instruments.CaliperReading("circle", 0, 10.0, "diameter_0", 20.0), "table": {},
}  # fmt: skip
#: Arguments that are objects of a class which the day at the bench has made.
MADE = {
    "finding": gs.Finding, "burn": gs.Burn, "before": gs.Burn, "after": gs.Burn, "piece": gs.Piece,
    "thing": gs.Burn, "measured": gs.Piece, "verdict": gs.acceptance.Verdict, "log": gs.MachineLog,
    "image": gs.burn.BurnImage, "result": gs.mechanics.PushResult, "burn_or_lines": gs.Burn,
    "identifiability": gs.decisions.Identifiability, "other": gs.decisions.Identifiability,
    "results": gs.mechanics.PushResult,
    "source": gs.Finding,
    "adjustment": gs.decisions.Change, "sheet": gs.instruments.ToneSheet, "problem": Problem,
    "mode": Mode, "healthy": Mode, "drawing": gs.part.Drawing, "prediction": gs.part.Prediction,
    "judged": gs.part.PartJudgement, "pairs": gs.part.Matings,
}  # fmt: skip
#: Where a name means something else.
SPECIAL = {
    ("EndPlate.nut", "place"): "front", ("EndPlate.nut_degrees", "place"): "front",
    ("Telling.row", "name"): "coupler_slip", ("save_machine", "path"): "there.toml",
    ("Machine.with_faults", "faults"): faults()[0],
    ("WheelFlat.placed_at", "place"): 10.0, ("WheelFlat.placed_at", "u"): np.zeros(60),
}  # fmt: skip
#: Classes that are made by functions of their own, and hold what these give.
ABSTRACT = {
    "Fault", "Instrument", "Judged", "MachineSheet", "Measurement", "PartSizes", "ReadingSheet",
}  # fmt: skip


def example(label, parameter, known):
    if (label, parameter) == ("before_after", "before"):
        return known[gs.Piece]
    if (label, parameter) in SPECIAL:
        return SPECIAL[label, parameter]
    if label == "Catalogue.plausible":
        return "coupler_slip"
    if label.startswith("measure_both_ways") or parameter in ("circle", "square", "pushes"):
        thing = known[gs.mechanics.PushResult if parameter == "pushes" else gs.Burn]
        return thing if parameter in ("ccw", "cw") else (thing, thing)
    return known[MADE[parameter]] if parameter in MADE else USUAL[parameter]


def doors(name, thing, known):
    """Each function behind a public name, with arguments as they should be."""
    if not inspect.isclass(thing):
        yield name, thing, needed(thing, thing.__name__, known)
        return
    if thing.__name__ in ABSTRACT:
        return
    made = known[thing]
    fields = [field.name for field in dataclasses.fields(thing) if field.init]
    yield name, thing, {field: getattr(made, field) for field in fields}
    for method, member in vars(thing).items():
        plain = getattr(member, "__func__", member)
        if not method.startswith("_") and inspect.isfunction(plain):
            label = f"{thing.__name__}.{method}"
            bound = getattr(made, method)
            yield f"{name}.{method}", bound, needed(bound, label, known)


def parameters(function):
    """Parameters of a function that have a name of their own."""
    found = inspect.signature(function).parameters.values()
    return [p for p in found if p.kind is not p.VAR_KEYWORD]


def needed(function, label, known):
    return {
        p.name: example(label, p.name, known)
        for p in parameters(function)
        if p.default is p.empty and p.kind is not p.VAR_POSITIONAL
    }


#: Words of type hints that take a list, aliases of such included.
LISTS = {
    "Sequence", "tuple", "list", "Iterable", "Array", "ArrayLike", "NDArray", "ndarray", "Estimate",
    "Spread", "Lines",
}  # fmt: skip


def must_refuse(hint, wrong, is_record):
    """Whether a type hint, read as a text, leaves no doubt that a thing is none of its kind."""
    words = set(re.findall(r"\w+", re.sub(r'"[^"]*"', "", str(hint))))  # but for sentences
    if "Any" in words or "object" in words:
        return isinstance(wrong, Stranger) and hint != "Mapping[str, Any]"
    if wrong is None:
        return "None" not in words
    if isinstance(wrong, str):
        return not words & {
            "str",
            "Path",
            "PathLike",
            "Date",
            "str_",
            "ShapeName",
            "AnyPath",
            "Scans",
            "WhichWheel",
        }
    if isinstance(wrong, float):
        return not is_record and "ArrayLike" not in words
    if isinstance(wrong, int):
        return not words & {"float", "int", "ArrayLike", "Unbounded", "Count", "WhichWheel"}
    if isinstance(wrong, list) and not wrong:
        return not words & {
            "Sequence",
            "tuple",
            "list",
            "Iterable",
            "Array",
            "ArrayLike",
            "NDArray",
            "ndarray",
            "Measurement",
            "Reference",
            "Lines",
            "Place",
            "Corners",
            "FaultNames",
            "LineWidth",
            "Polylines",
            "Scans",
            "Window",
            "Area",
            "Collection",
        }
    return True


def offences(name, function, arguments):
    """What the walk over one function finds: each refusal that is none, or says it badly."""
    is_record = inspect.isclass(function)
    for parameter in parameters(function):
        for wrong in WRONG:
            if not must_refuse(parameter.annotation, wrong, is_record):
                continue
            given = {**arguments, parameter.name: wrong}
            rest = ()
            if parameter.kind is parameter.VAR_POSITIONAL:
                rest = (given.pop(parameter.name),)
            where = f"{name}({parameter.name}={wrong!r:.40})"
            began = time.perf_counter()
            try:
                function(*rest, **given)
            except (TypeError, ValueError) as error:
                text = str(error)
                asked = [parameter.name, *(v for v in given.values() if isinstance(v, str))]
                if not SENTENCE.fullmatch(text) or RAW.search(text):
                    yield f"{where}: {type(error).__name__}: {text:.200}"
                elif not any(name in text for name in asked):
                    yield f"{where}: the sentence does not name it: {text:.200}"
                elif isinstance(error, ValueError) and not (
                    np.size(wrong) == 0 or isinstance(wrong, float)
                ):
                    yield f"{where}: {type(error).__name__} for a wrong kind: {text:.200}"
            except Exception as error:
                yield f"{where}: {type(error).__name__}: {error!s:.200}"
            else:
                yield f"{where}: was taken"
            if time.perf_counter() - began > QUICK:
                yield f"{where}: took {time.perf_counter() - began:.1f} s to refuse"


def says_badly(name, function, given):
    """What is wrong with how a function refuses arguments that it does not have, or misses."""
    try:
        function(**given)
    except TypeError as error:
        if not SENTENCE.fullmatch(str(error)) or RAW.search(str(error)):
            yield f"{name}: {error!s:.200}"
    else:
        yield f"{name}: took {list(given)}"


def arguments_offences(name, function, arguments):
    """The same for an argument by another name, and for none at all."""
    kinds = {p.kind for p in inspect.signature(function).parameters.values()}
    if kinds and inspect.Parameter.VAR_KEYWORD not in kinds:
        yield from says_badly(name, function, {**arguments, "no_such_thing": 1})
    if any(p.default is p.empty and p.kind is not p.VAR_POSITIONAL for p in parameters(function)):
        yield from says_badly(name, function, {})


@pytest.fixture(scope="module")
def known():
    return gathered(things())


def test_every_public_door_refuses_in_one_sentence(known, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = []
    for name, thing in sorted(public().items()):
        for label, function, arguments in doors(name, thing, known):
            found += offences(label, function, arguments)
            found += arguments_offences(label, function, arguments)
    assert not found, "\n" + "\n".join(found)
    assert not list(tmp_path.iterdir())


def test_what_public_classes_inherit_is_looked_at_too():
    """The walk goes over what a class has of its own; its bases must be behind doors as well."""
    free = {}
    for thing in filter(inspect.isclass, public().values()):
        for home in (h for h in thing.__mro__ if h.__module__.startswith("gantrysim")):
            for method, member in vars(home).items():
                plain = getattr(member, "__func__", member)
                taken = inspect.isfunction(plain) and len(inspect.signature(plain).parameters) > 1
                if taken and not method.startswith("_") and not hasattr(plain, "__wrapped__"):
                    free[home.__name__] = method
    assert free == {"Wheeled": "with_friction"}  # a plate looks at its drag itself
    with pytest.raises(TypeError, match=r"path must be .* found 3"):
        gs.simulate(MACHINE, TEST).to_csv(3)
    with pytest.raises(TypeError, match="friction must be a finite force"):
        MACHINE.left.with_friction("3 N")
    rng = np.random.default_rng(1)
    for wrong, name in ((("x", 3, rng), "along"), (([1.0], 2.5, rng), "trials")):
        with pytest.raises((TypeError, ValueError), match=f"^{name} must be .* found .*\\.$"):
            NOISE.draws(*wrong)
    for along in (3.0, [[1.0]], [math.nan]):
        with pytest.raises(ValueError, match="along must be a list of finite positions in mm"):
            NOISE.covariance(along)
    for table in (3.0, np.eye(2), -np.eye(3), np.full((3, 3), math.nan)):
        with pytest.raises(ValueError, match="covariance must be that of three errors"):
            NOISE.with_reader(table)


def test_an_array_without_dimension_is_what_it_holds():
    """A text is neither a number nor a list for numpy's having wrapped it."""
    text = np.array("text")
    takes = {float: "a finite number", list[str]: "a list of texts", Iterable[str]: "a list of"}
    for hint, words in takes.items():
        with pytest.raises(TypeError, match=f"^it must be {words}"):
            kind_of(hint).check(text, "it")
    with pytest.raises(TypeError, match="span must be a finite number"):
        gs.Machine(span=text)
    assert gs.Machine(span=np.array(431.0)).span == 431.0


def test_an_offence_is_seen():
    def careless(machine: gs.Machine, count: int) -> float:
        return machine.span * count

    found = list(offences("careless", careless, {"machine": MACHINE, "count": 2}))
    assert any("has no attribute" in line for line in found)
    assert any("count" in line and "was taken" in line for line in found)
    assert list(arguments_offences("careless", careless, {"machine": MACHINE, "count": 2}))


@pytest.mark.parametrize("hint", [np.ndarray[Any, np.dtype[Any]], NDArray[np.float64], ArrayLike])
def test_an_alias_accepts_what_it_stands_for(hint):
    """From numpy 2.5 on its own type hints are aliases, with a value of their own."""
    alias = SimpleNamespace(__value__=hint)
    assert kind_of(alias).words == kind_of(hint).words


def test_an_alias_takes_what_it_is_asked_for():
    item = TypeVar("item")
    alias = SimpleNamespace(__value__=list[item])
    assert kind_of(GenericAlias(alias, (float,))).words == kind_of(list[float]).words


def test_two_threads_come_to_a_door_at_once(monkeypatch):
    """The second comes while the first is still reading what the door lets in."""
    came: list[float] = []

    def second(*args: Any) -> Any:
        if not came:
            came.append(0.0)
            thread = threading.Thread(target=lambda: came.append(area(2.0, 3.0)))
            thread.start()
            thread.join()
        return kind_of(*args)

    @checked
    def area(wide: float, high: float) -> float:
        return wide * high

    reads = [kind_of, second, kind_of, kind_of]  # the first of four hints, then the second
    monkeypatch.setattr("gantrysim.records.doors.kind_of", lambda *args: reads.pop(0)(*args))
    assert area(4.0, 5.0) == 20.0
    assert came == [0.0, 6.0]
