"""Classes of data that are there quickly.

The standard decorator compiles six functions a class, which for some two hundred classes is a fifth of the
time until the first frame. These two are the same to whoever checks types, and to `fields` and `replace`, but
compile the constructor alone, when the first object is made. `dataclass` is for what stays inside, and leaves
it to the type checker that nobody assigns to a frozen one. `public_dataclass` is for what users get: what is
frozen is so.
"""

from __future__ import annotations

import dataclasses
from dataclasses import MISSING
from operator import attrgetter
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "public_dataclass"]

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from dataclasses import dataclass
    from dataclasses import dataclass as public_dataclass

    Method = Callable[..., object] | None
else:

    def dataclass(*, frozen: bool = False, **options: bool) -> Callable[[type], type]:
        """Return what makes a data class; as `dataclasses.dataclass`."""

        def made(cls: type) -> type:
            cls.__doc__ = cls.__doc__ or cls.__name__  # else the standard one works out its signature
            data = dataclasses.dataclass(init=False, repr=False, eq=False, **options)(cls)
            return _with(data, _methods(data, frozen=frozen), vars(cls))

        return made

    def public_dataclass(*, frozen: bool = False, **options: bool) -> Callable[[type], type]:
        """Return what makes a data class that users get; as `dataclasses.dataclass`."""

        def made(cls: type) -> type:
            data = dataclasses.dataclass(init=False, repr=False, eq=False, frozen=frozen, **options)(cls)
            return _with(data, _methods(data, frozen=frozen, refuses=frozen), vars(cls))

        return made


def _with(data: type, methods: Mapping[str, Method], own: Mapping[str, object]) -> type:
    """Return a data class with those methods that it has not of its own."""
    for name, method in methods.items():
        if own.get(name) is None:
            setattr(data, name, method)
    return data


def _methods(data: type[Any], *, frozen: bool, refuses: bool = False) -> dict[str, Method]:
    """Return how objects of a data class are made, compared, hashed and shown.

    Args:
        data: The class.
        frozen: They are not assigned to.
        refuses: They do not let anybody.
    """
    fields = dataclasses.fields(data)
    compared = _values([one.name for one in fields if one.compare])
    hashed = _values([one.name for one in fields if (one.compare if one.hash is None else one.hash)])

    def first(self: object, /, *given: object, **named: object) -> None:
        constructor = data.__init__ = _constructor(data, refuses=refuses)
        constructor(self, *given, **named)

    def equal(self: object, other: object) -> bool:
        return compared(self) == compared(other) if type(self) is type(other) else NotImplemented

    def number(self: object) -> int:
        return hash(hashed(self))

    return {
        "__init__": first,
        "__eq__": equal,
        "__hash__": number if frozen else None,
        "__repr__": _shown,
    }


def _constructor(data: type[Any], *, refuses: bool) -> Callable[..., None]:
    """Compile what takes the fields of a data class, those by keyword last, and sets them."""
    known: dict[str, Any] = {"MISSING": MISSING, "set_": object.__setattr__}
    by_place, by_keyword, body = ["self"], ["*"], []
    for one in dataclasses.fields(data):
        taken, value = one.name, one.name
        if one.default_factory is not MISSING:
            known[f"make_{one.name}"] = one.default_factory
            taken = f"{one.name}=MISSING"
            value = f"make_{one.name}() if {one.name} is MISSING else {one.name}"
        elif one.default is not MISSING:
            known[f"default_{one.name}"] = one.default
            taken = f"{one.name}=default_{one.name}"
        (by_keyword if one.kw_only else by_place).append(taken)
        body.append(f"set_(self, '{one.name}', {value})" if refuses else f"self.{one.name} = {value}")
    if hasattr(data, "__post_init__"):
        body.append("self.__post_init__()")
    taken_all = ", ".join(by_place + (by_keyword if len(by_keyword) > 1 else []))
    exec(f"def __init__({taken_all}):\n " + "\n ".join(body or ["pass"]), known)
    constructor: Callable[..., None] = known["__init__"]
    constructor.__qualname__ = f"{data.__qualname__}.__init__"
    constructor.__annotations__ = {one.name: one.type for one in dataclasses.fields(data)} | {"return": None}
    return constructor


def _values(names: Sequence[str]) -> Callable[[object], tuple[object, ...]]:
    """Return what gives the values of some attributes."""
    if len(names) > 1:
        return attrgetter(*names)
    return lambda data: tuple(getattr(data, name) for name in names)


def _shown(self: Any) -> str:
    values = (f"{one.name}={getattr(self, one.name)!r}" for one in dataclasses.fields(self) if one.repr)
    return f"{type(self).__qualname__}({', '.join(values)})"
