"""Classes of data that are there quickly.

The standard decorator compiles six functions a class, which for some two hundred classes is a fifth of the
time until the first frame. These two are the same to whoever checks types, and to `fields` and `replace`, but
compile hardly anything: classes with as many fields share what sets them. `dataclass` is for what stays
inside, and leaves it to the type checker that nobody assigns to a frozen one. `public_dataclass` is for what
users get: what is frozen is so.
"""

from __future__ import annotations

import dataclasses
from dataclasses import MISSING
from functools import cache, wraps
from operator import attrgetter
from types import CodeType, FunctionType
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "public_dataclass"]

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
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

    def equal(self: object, other: object) -> bool:
        return compared(self) == compared(other) if type(self) is type(other) else NotImplemented

    def number(self: object) -> int:
        return hash(hashed(self))

    return {
        "__init__": _constructor(data, refuses=refuses),
        "__eq__": equal,
        "__hash__": number if frozen else None,
        "__repr__": _shown,
    }


def _constructor(data: type[Any], *, refuses: bool) -> Method:
    """Return what takes the fields of a data class, those by keyword last, and sets them."""
    fields = sorted(dataclasses.fields(data), key=attrgetter("kw_only"))
    by_keyword = sum(one.kw_only is True for one in fields)
    shared = _setting(len(fields), refuses=refuses)
    names = dict(zip(shared.co_varnames[1:], [one.name for one in fields], strict=True))

    def named(words: Iterable[Any]) -> tuple[Any, ...]:
        return tuple([names.get(word, word) for word in words])

    code = shared.replace(
        co_argcount=1 + len(fields) - by_keyword,
        co_kwonlyargcount=by_keyword,
        co_varnames=named(shared.co_varnames),
        co_names=named(shared.co_names),
        co_consts=named(shared.co_consts),
        co_qualname=f"{data.__qualname__}.__init__",
    )
    # What a factory makes is MISSING until all is set.
    usual = [one for one in fields if one.default is not MISSING or one.default_factory is not MISSING]
    constructor = FunctionType(
        code, {"set_": object.__setattr__}, argdefs=tuple([one.default for one in usual if not one.kw_only])
    )
    constructor.__kwdefaults__ = {one.name: one.default for one in usual if one.kw_only}
    constructor.__annotations__ = {one.name: one.type for one in fields} | {"return": None}
    made = [(one.name, one.default_factory) for one in usual if one.default_factory is not MISSING]
    if not made and not hasattr(data, "__post_init__"):
        return constructor
    return _completed(constructor, made, getattr(data, "__post_init__", None))


@cache
def _setting(count: int, *, refuses: bool) -> CodeType:
    """Compile what sets as many attributes to what it is given."""
    names = [f"_{number}" for number in range(count)]
    head = f"def __init__({', '.join(['self', *names])}):"
    body = [f"set_(self, {one!r}, {one})" if refuses else f"self.{one} = {one}" for one in names]
    compiled: dict[str, FunctionType] = {}
    exec("\n ".join([head, *body, "pass"]), compiled)
    return compiled["__init__"].__code__


def _completed(
    constructor: Callable[..., None],
    made: Sequence[tuple[str, Callable[[], object]]],
    post: Callable[[object], None] | None,
) -> Callable[..., None]:
    """Return a constructor that also makes what was not given, and does what comes afterwards."""

    @wraps(constructor)
    def complete(self: object, /, *given: object, **named: object) -> None:
        constructor(self, *given, **named)
        for name, make in made:
            if getattr(self, name) is MISSING:
                object.__setattr__(self, name, make())
        if post:
            post(self)

    return complete


def _values(names: Sequence[str]) -> Callable[[object], tuple[object, ...]]:
    """Return what gives the values of some attributes."""
    if len(names) > 1:
        return attrgetter(*names)
    return lambda data: tuple(getattr(data, name) for name in names)


def _shown(self: Any) -> str:
    values = (f"{one.name}={getattr(self, one.name)!r}" for one in dataclasses.fields(self) if one.repr)
    return f"{type(self).__qualname__}({', '.join(values)})"
