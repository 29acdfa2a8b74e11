"""Public doors: the kinds of the arguments are looked at before anything else runs.

`checked` reads the type hints of a function, or of the constructor and the public methods of a
class, and refuses in one sentence whatever is of another kind: a wrong kind raises TypeError, a
number that is none (NaN), infinite or broken where a whole one is asked for, ValueError.  Limits of
values are the body's own business, but for words: ``Annotated[str, ORDERS]`` accepts the words of
`ORDERS` only.  ``Annotated[hint, "two numbers (x, y) in mm"]`` says better than the hint alone what
is accepted, and so do the limits and words that a field of a dataclass states of itself.  The hints
are read at the first call, so they may name classes that are imported later, or only for type
checking: such a class is known by its name.
"""

from __future__ import annotations

import builtins
import collections.abc
import functools
import inspect
import os
import re
import sys
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import PurePath
from typing import Annotated, Any, NamedTuple, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.records.checks import (
    a_number,
    finite_number,
    listed,
    must_be,
    one_of,
    stated_words,
    with_article,
)

#: Type hint of a number that may be infinite.
Unbounded = Annotated[float, "a number"]
#: Type hint of a number of things.
Count = Annotated[int, "a whole number, 1 or more"]
#: Type hint of a place on the bed.
Place = Annotated[tuple[float, float], "two numbers (x, y) in mm"]

Thing = TypeVar("Thing", bound=Callable[..., Any])


class Kind(NamedTuple):
    """What one type hint accepts.

    ``fits`` says whether a value is of the kind; ``look``, if there is one, refuses a value of the
    kind that is not usable, under the name and words it is given.  Objects of the ``plain`` classes
    need neither: most calls are right, and some run by the thousand.
    """

    words: str
    fits: Callable[[Any], bool]
    look: Callable[[Any, str, str], None] | None = None
    plain: frozenset[type] = frozenset()

    def check(self, value: Any, name: str) -> None:
        """Refuse a value that is not of this kind."""
        if value.__class__ in self.plain:
            return
        if not self.fits(value):
            raise TypeError(must_be(name, self.words, value))
        if self.look is not None:
            self.look(value, name, self.words)


def checked(thing: Thing) -> Thing:
    """Let a function, or the constructor and methods of a class, refuse wrong kinds in a sentence.

    ``thing``: with type hints; a dataclass is decorated after it was made one.
    """
    if not inspect.isclass(thing):
        return cast(Thing, _door(thing, thing.__name__, ""))
    for name, member in list(vars(thing).items()):
        plain = member.__func__ if isinstance(member, classmethod | staticmethod) else member
        if not inspect.isfunction(plain) or (name.startswith("_") and name != "__init__"):
            continue
        new = name == "__init__"
        if len(inspect.signature(plain).parameters) > (not isinstance(member, staticmethod)):
            label = thing.__name__ if new else name
            door = _door(plain, label, f"{label}: " if new else "", thing, member)
            setattr(thing, name, door if plain is member else type(member)(door))
    return cast(Thing, thing)


def behind(method: Callable[..., Any]) -> Callable[..., Any]:
    """What stands behind a door: for what the library calls by the thousand with its own values."""
    if not isinstance(method, types.MethodType):
        return inspect.unwrap(method)
    return types.MethodType(inspect.unwrap(method.__func__), method.__self__)


def _door(
    function: Callable[..., Any],
    label: str,
    prefix: str,
    owner: type | None = None,
    member: Any = None,
) -> Callable[..., Any]:
    """The function behind a look at its arguments; ``prefix`` opens each sentence."""
    signature = list(inspect.signature(function).parameters.values())
    skipped = int(owner is not None and not isinstance(member, staticmethod))
    parameters = signature[skipped:]
    ordered = [p.name for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    needed = [p.name for p in parameters if p.default is p.empty and p.kind not in (2, 4)]
    enough = len(needed) if needed == ordered[: len(needed)] else len(parameters)
    rest = next((p.name for p in parameters if p.kind is p.VAR_POSITIONAL), None)
    options = any(p.kind is p.VAR_KEYWORD for p in parameters)
    named = {p.name for p in parameters if p.kind not in (2, 4)}
    kinds: dict[str, Kind] = {}

    def read() -> None:
        names = Names(function, owner)
        loose = bool(prefix)  # a record may hold NaN for what is not known; its class says where
        stated = stated_words(owner) if prefix else {}
        found: dict[str, Kind] = {}
        for p in parameters:
            kind = kind_of(names.value(p.annotation), loose) or _ANYTHING
            found[p.name] = kind._replace(words=stated.get(p.name, kind.words))
        kinds.update(found)  # all at once: another thread may be at the door

    @functools.wraps(function)
    def door(*args: Any, **given: Any) -> Any:
        if not kinds:
            read()
        for name, value in zip(ordered, args[skipped:], strict=False):
            kind = kinds[name]
            if value.__class__ not in kind.plain:
                kind.check(value, prefix + name)
        if len(args) - skipped > len(ordered):
            if rest is None:
                most = f"{len(ordered)} or fewer before those with a name"
                found = len(args) - skipped
                raise TypeError(must_be(f"arguments of {label}", most, found))
            for index, value in enumerate(args[skipped + len(ordered) :]):
                kinds[rest].check(value, f"{prefix}{rest}[{index}]")
        for name, value in given.items():
            if name in named:
                kind = kinds[name]
                if value.__class__ not in kind.plain:
                    kind.check(value, prefix + name)
            elif not options:
                raise TypeError(must_be(f"arguments of {label}", _any_of(named), name))
        if len(args) - skipped < enough:  # may miss some
            taken = ordered[: len(args) - skipped]
            for name in needed:
                if name not in given and name not in taken:
                    raise TypeError(f"{prefix}{name} must be given to {label}, found nothing.")
        try:
            return function(*args, **given)
        except KeyboardInterrupt:  # a page of frames helps nobody who stopped the work
            raise KeyboardInterrupt("stopped by hand") from None

    return door


def _any_of(named: Iterable[str]) -> str:
    found = sorted(named)
    return f"among {', '.join(found)}" if found else "none"


class Names:
    """Names that the type hints of a function may use: its module's, those of its class's bases.

    A name that no module holds is imported for type checking only; a stand-in is made for it, and
    an object is of that kind if one of its classes has the name.
    """

    def __init__(self, function: Callable[..., Any], owner: type | None) -> None:
        homes = [vars(sys.modules[c.__module__]) for c in owner.__mro__] if owner else []
        self.homes = [inspect.unwrap(function).__globals__, *homes, vars(builtins)]

    def __getitem__(self, name: str) -> Any:
        for home in self.homes:
            if name in home:
                return home[name]
        return type(name, (_ByName,), {})

    def value(self, hint: Any) -> Any:
        """A type hint, evaluated if it is a text."""
        return eval(hint, {}, cast(Any, self)) if isinstance(hint, str) else hint


class _ByName:
    """Stand-in for a class that is imported for type checking only."""

    def __class_getitem__(cls, item: Any) -> type:
        return cls


def _number(value: Any, name: str, words: str) -> None:
    if value.__class__ is float and value - value == 0.0:
        return
    finite_number(value, name, words)


def _not_nan(value: Any, name: str, words: str) -> None:
    if value != value:
        raise ValueError(must_be(name, words, value))


def _whole(value: Any, name: str, words: str) -> None:
    if not hasattr(value, "__index__"):
        raise ValueError(must_be(name, words, value))


def _numbers(value: Any, name: str, words: str) -> None:
    """Refuse an array, or lists, that hold anything but numbers."""
    try:
        usable = np.asarray(value).dtype.kind in "fiub"
    except ValueError:  # rows of unlike length
        raise ValueError(must_be(name, "an array with rows of one length", value)) from None
    if not usable:
        raise TypeError(must_be(name, words, value))


def _holds_things(value: Any) -> bool:
    """Whether what can be gone through is more than a text or an array of no dimension."""
    return not isinstance(value, str | bytes) and getattr(value, "ndim", 1) > 0


def _listing(value: Any) -> bool:
    return isinstance(value, Sequence | np.ndarray) and _holds_things(value)


def _iterable(value: Any) -> bool:
    return hasattr(value, "__iter__") and _holds_things(value)


def _array(value: Any) -> bool:
    if isinstance(value, list | tuple):
        return True
    return (_listing(value) or hasattr(value, "__array__")) and np.ndim(value) > 0


def _is(*classes: type) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, classes)


_NUMBER = Kind("a finite number", a_number, _number)
_LOOSE = Kind("a number", a_number, plain=frozenset((float, int)))
_UNBOUNDED = Kind("a number", a_number, _not_nan)
_ANYTHING = Kind("anything", lambda value: True)
_ARRAY = Kind("an array of numbers", _array, _numbers)
_ARRAY_LIKE = Kind("an array of numbers", lambda v: a_number(v) or _array(v), _numbers)
_NONE = Kind("None", _is(type(None)), None, frozenset((type(None),)))
_PLAIN: dict[Any, Kind] = {
    float: _NUMBER,
    int: Kind("a whole number", a_number, _whole, frozenset((int,))),
    bool: Kind("true or false", _is(bool, np.bool_), None, frozenset((bool,))),
    str: Kind("a text", _is(str), None, frozenset((str,))),
    type(None): _NONE,
    None: _NONE,
    np.random.Generator: Kind("a random generator of numpy", _is(np.random.Generator)),
}
#: The first noun after its article: "a list of numbers" are "lists of numbers".
_PLURAL = re.compile(r"^(?:an?|the) (?:finite )?((?:whole )?\w*[^\Ws])s?\b(.*)$")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


def _in_one_line(value: Any, name: str, words: str) -> None:
    """Refuse a path with control characters: who hands in a text for its file is told so."""
    if _CONTROL.search(str(value)):
        raise ValueError(must_be(name, f"{words}, in one line", value))


_PATH = Kind("the path of a file", _is(str, os.PathLike), _in_one_line)


def kind_of(hint: Any, loose: bool = False) -> Kind | None:
    """What a type hint accepts; None if it accepts everything.

    ``hint``: evaluated: a class, a union, a list or mapping of such, an array.  ``loose``: whether
    a number may be NaN or infinite.
    """
    if hint is Any or hint is object or hint is inspect.Parameter.empty:
        return None
    if loose and hint is float:
        return _LOOSE
    if hint == Unbounded:
        return _UNBOUNDED
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is Annotated:
        return _worded(kind_of(inner[0], loose) or _ANYTHING, inner[1])
    if hint == ArrayLike:
        return _ARRAY_LIKE
    if hasattr(origin or hint, "__value__"):  # an alias, as numpy's from 2.5 on
        meant = (origin or hint).__value__
        return kind_of(meant[inner] if inner else meant, loose)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if origin in (typing.Union, types.UnionType):
        return _union(inner, loose)
    if hint is np.ndarray or origin is np.ndarray:
        shapeless = origin is not None and Any in typing.get_args(inner[1])
        return Kind("an array", _is(np.ndarray)) if shapeless else _ARRAY
    if isinstance(origin or hint, type) and issubclass(origin or hint, os.PathLike | PurePath):
        return _PATH
    if origin is not None:
        return _holder(origin, inner, loose)
    return _class(hint)


def _worded(kind: Kind, said: str | Sequence[str]) -> Kind:
    """A kind as its type hint says it: in better words, or with the only words it accepts."""
    if isinstance(said, str):
        return kind._replace(words=said)
    words = tuple(said)
    return Kind(listed(words), kind.fits, lambda value, name, _: one_of(value, words, name))


def _union(members: Sequence[Any], loose: bool) -> Kind | None:
    kinds: list[Kind] = []
    like = typing.get_args(ArrayLike) or (ArrayLike,)
    if all(member in members for member in like):
        kinds.append(_ARRAY_LIKE)
        members = [member for member in members if member not in like]
    for member in members:
        kind = kind_of(member, loose)
        if kind is None:
            return None
        kinds.append(kind)
    if _PATH in kinds:
        kinds = [kind for kind in kinds if kind is not _PLAIN[str]]
    words = " or ".join(dict.fromkeys(kind.words for kind in kinds))

    def look(value: Any, name: str, _: str) -> None:
        next(kind for kind in kinds if kind.fits(value)).check(value, name)

    plain = frozenset[type]().union(*(kind.plain for kind in kinds))
    return Kind(words, lambda value: any(kind.fits(value) for kind in kinds), look, plain)


def _holder(origin: Any, inner: tuple[Any, ...], loose: bool) -> Kind | None:
    """What a list, row, mapping or function accepts."""
    if origin is collections.abc.Callable:
        return Kind("a function", callable)
    if issubclass(origin, Mapping):
        kind = kind_of(inner[1], loose)
        return Kind(f"a mapping to {_plural(kind)}", _is(Mapping), _items(kind))
    if origin is tuple and inner[-1] is not Ellipsis:
        return _row([kind_of(member, loose) for member in inner])
    if issubclass(origin, Iterable):
        kind = kind_of(inner[0], loose)
        fits = _listing if issubclass(origin, Sequence) else _iterable
        return Kind(f"a list of {_plural(kind)}", fits, _items(kind))
    return _class(origin)


def _plural(kind: Kind | None) -> str:
    if kind is None:
        return "things"
    words = kind.words.split(" or ")
    return " or ".join(_PLURAL.sub(r"\1s\2", w) for w in words)


def _items(kind: Kind | None) -> Callable[[Any, str, str], None] | None:
    """A look at each thing of a list or mapping; a stream of things is left untouched."""
    if kind is None:
        return None

    def look(value: Any, name: str, words: str) -> None:
        if isinstance(value, Mapping):
            for key, item in value.items():
                kind.check(item, f"{name}[{key!r}]")
        elif kind is _NUMBER and isinstance(value, np.ndarray):
            _numbers(value, name, words)
        elif _listing(value):
            for index, item in enumerate(value):
                kind.check(item, f"{name}[{index}]")

    return look


def _row(kinds: Sequence[Kind | None]) -> Kind:
    """A row of so many things, such as the two numbers of a place."""
    count = {2: "two", 3: "three", 4: "four"}.get(len(kinds), str(len(kinds)))
    words = f"{count} {_plural(kinds[0]) if len({k and k.words for k in kinds}) == 1 else 'things'}"

    def look(value: Any, name: str, words: str) -> None:
        for index, (item, kind) in enumerate(zip(value, kinds, strict=False)):
            if kind is not None:
                kind.check(item, f"{name}[{index}]")
        if len(value) != len(kinds):
            raise ValueError(must_be(name, words, value))

    return Kind(words, _listing, look)


def _class(kind: Any) -> Kind | None:
    """An object of a class, of a class known by its name, or with the members of a protocol."""
    if not isinstance(kind, type):
        return None
    if issubclass(kind, _ByName):
        named = kind.__name__
        words = with_article(named)
        return Kind(words, lambda value: any(c.__name__ == named for c in type(value).__mro__))
    if getattr(kind, "_is_protocol", False):
        members = [name for name in vars(kind) if not name.startswith("_")]
        words = (inspect.getdoc(kind) or kind.__name__).split("\n")[0].split(":")[0].rstrip(".")
        words = words[0].lower() + words[1:]
        return Kind(words, lambda value: all(hasattr(value, name) for name in members))
    return Kind(with_article(kind.__name__), _is(kind), None, frozenset((kind,)))
