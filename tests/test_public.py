"""The public face: every name explains itself and says its units."""

import dataclasses
import importlib
import inspect
import re

import pytest

import gantrysim

UNIT = re.compile(
    r"\bmm\b|\bN\b|\bN/mm\b|\bkg\b|\bs\b|\bmrad\b|\brad\b|degrees|dimensionless|[Rr]elative"
    r"|probabilit|times larger|per cent|minutes|part of|factor"
)


def packages():
    """Every package by its name; the root's is empty."""
    found = [name for name in dir(gantrysim) if inspect.ismodule(getattr(gantrysim, name))]
    return ["", *sorted(set(found) - {"theory", "records"})]


def home(package):
    return importlib.import_module(f"gantrysim.{package}".rstrip("."))


PICTURES = home("plotting").__all__
NAMES = [f"{package}.{name}" for package in packages() for name in home(package).__all__]


@pytest.fixture(params=NAMES)
def public(request):
    package, name = request.param.split(".")
    found = getattr(home(package), name)
    if not callable(found) or getattr(found, "_is_protocol", False):
        pytest.skip("a table, or a protocol")
    return found


@pytest.mark.parametrize("package", packages())
def test_names_are_listed_once(package):
    names = home(package).__all__
    assert len(set(names)) == len(names)


def test_the_root_holds_the_main_road_and_says_where_the_rest_is():
    assert 30 <= len(gantrysim.__all__) <= 45
    with pytest.raises(AttributeError, match=r"reached as gantrysim\.faults\.TightWheels"):
        _ = gantrysim.TightWheels


def test_public_names_have_docstrings(public):
    doc = inspect.getdoc(public)
    assert doc
    assert not doc.startswith(f"{public.__name__}("), "that is the one dataclasses make up"


def test_public_methods_have_docstrings(public):
    if not inspect.isclass(public):
        return
    for name, member in vars(public).items():
        if not name.startswith("_") and (
            inspect.isfunction(member) or isinstance(member, property)
        ):
            assert inspect.getdoc(member), f"{public.__name__}.{name}"


def takes_floats(public):
    if dataclasses.is_dataclass(public):
        kinds = [str(f.type) for f in dataclasses.fields(public)]
    else:
        kinds = [str(p.annotation) for p in inspect.signature(public).parameters.values()]
    return any("float" in kind for kind in kinds)


def test_float_arguments_have_units(public):
    if takes_floats(public):
        assert UNIT.search(inspect.getdoc(public)), f"{public.__name__} names no unit"


def documented(public):
    """Names in the numpy section of parameters, those of the classes it stands upon included."""
    found = []
    for thing in inspect.getmro(public) if inspect.isclass(public) else (public,):
        doc = inspect.cleandoc(thing.__doc__ or "")
        section = re.search(r"\nParameters\n-+\n(.*?)(?=\n\n[A-Z][\w ]+\n-+\n|\Z)", doc, re.DOTALL)
        for line in section[1].splitlines() if section else ():
            if line and not line.startswith(" "):
                found += [name.strip().lstrip("*") for name in line.split(" : ")[0].split(",")]
    return found


def test_parameters_are_documented(public):
    taken = [name for name in inspect.signature(public).parameters if not name.startswith("_")]
    found = documented(public)
    assert len(set(found)) == len(found)
    if taken != ["path"]:  # what reads one file says so in its first line
        assert set(found) == set(taken)


def test_a_parameter_without_a_line_is_seen():
    def silent(radius: float, noise: float) -> None:
        """Say nothing of noise.

        Parameters
        ----------
        radius : float
            Of a circle, mm.

        Returns
        -------
        None
        """

    assert documented(silent) == ["radius"]


def test_pictures_are_drawn_in_one_place_each():
    assert "plot_burn" in PICTURES
    for name in PICTURES:
        module = inspect.getmodule(getattr(gantrysim.plotting, name))
        assert module.__name__.startswith("gantrysim.plotting.")
