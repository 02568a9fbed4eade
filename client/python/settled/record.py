"""What the daemon tells, as dataclasses. Checked as it comes in; members of a later version are kept, absent ones are None."""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from typing import Any, Callable, Dict, List, Mapping, Tuple, Type, TypeVar, Union

from .moment import Moment

R = TypeVar("R", bound="Record")

#: Makes a value of decoded JSON, or raises Misfit. The text says where in the answer it stands.
Reader = Callable[[Any, str], Any]


class Misfit(ValueError):
    """Something doesn't have the shape that the protocol gives it."""


class Record:
    """Something the daemon told: a frozen dataclass whose optional members are None where they were absent."""

    # No field: unannotated on purpose, so that subclasses can have members without a default.
    _more = types.MappingProxyType({})  # type: ignore[var-annotated]

    @property
    def more(self) -> Mapping[str, Any]:
        """Members that this version knows nothing of, as they came."""
        more: Mapping[str, Any] = self._more
        return more

    @classmethod
    def read(cls: Type[R], told: Any, where: str = "the result") -> R:
        """From decoded JSON. Raises Misfit, which says what is wrong and where."""
        if not isinstance(told, dict):
            raise Misfit(f"{where} must be an object, not {_kind(told)}")
        values: Dict[str, Any] = {}
        readers = _readers(typing.cast(Any, cls))
        for name, (reader, is_required) in readers.items():
            if told.get(name) is not None:
                values[name] = reader(told[name], f"{where}.{name}")
            elif is_required:
                raise Misfit(f"{where}.{name} is missing")
        record = cls(**values)
        more = {name: value for name, value in told.items() if name not in readers}
        if more:
            object.__setattr__(record, "_more", types.MappingProxyType(more))
        return record

    def __reduce__(self) -> Tuple[Any, ...]:
        # A mapping proxy can't be pickled, copies of a record are wanted all the same.
        fields = dataclasses.fields(self)  # type: ignore[arg-type]
        return (_again, (type(self), {field.name: getattr(self, field.name) for field in fields}, dict(self._more)))


def _again(cls: Type[R], values: Dict[str, Any], more: Dict[str, Any]) -> R:
    record = cls(**values)
    object.__setattr__(record, "_more", types.MappingProxyType(more))
    return record


@functools.lru_cache(maxsize=None)
def _readers(cls: Any) -> Dict[str, Tuple[Reader, bool]]:
    """For each member: what reads it, and whether it must be there. One entry a class of this package."""
    hints = typing.get_type_hints(cls)
    fields = dataclasses.fields(cls)
    return {field.name: (_reader(hints[field.name]), field.default is dataclasses.MISSING) for field in fields}


def _reader(hint: Any) -> Reader:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin is Union:
        (inner,) = [argument for argument in arguments if argument is not type(None)]
        return _reader(inner)
    if origin is tuple and arguments[-1] is Ellipsis:
        return _several(_reader(arguments[0]))
    if origin is tuple:
        return _fixed([_reader(argument) for argument in arguments])
    if isinstance(hint, type) and issubclass(hint, Record):
        return hint.read
    return _PLAIN[origin or hint]


def _several(reader: Reader) -> Reader:
    def read(told: Any, where: str) -> Tuple[Any, ...]:
        return tuple(reader(item, f"{where}[{index}]") for index, item in enumerate(_list(told, where)))

    return read


def _fixed(readers: List[Reader]) -> Reader:
    def read(told: Any, where: str) -> Tuple[Any, ...]:
        if len(_list(told, where)) != len(readers):
            raise Misfit(f"{where} must have {len(readers)} values, not {len(told)}")
        return tuple(reader(item, f"{where}[{index}]") for index, (reader, item) in enumerate(zip(readers, told)))

    return read


def _list(told: Any, where: str) -> List[Any]:
    if not isinstance(told, list):
        raise Misfit(f"{where} must be an array, not {_kind(told)}")
    return told


def _number(told: Any, where: str) -> float:
    if isinstance(told, bool) or not isinstance(told, (int, float)):
        raise Misfit(f"{where} must be a number, not {_kind(told)}")
    try:
        return float(told)
    except OverflowError:
        raise Misfit(f"{where} is too large a number") from None


def _of(kind: type, name: str) -> Reader:
    def read(told: Any, where: str) -> Any:
        if not isinstance(told, kind) or (kind is int and isinstance(told, bool)):
            raise Misfit(f"{where} must be {name}, not {_kind(told)}")
        return told

    return read


def _moment(told: Any, where: str) -> Moment:
    try:
        return Moment.parse(_of(str, "text")(told, where))
    except Misfit:
        raise
    except ValueError as error:
        raise Misfit(f"{where}: {error}") from None


def _kind(told: Any) -> str:
    names = {dict: "an object", list: "an array", str: "text", bool: "a truth value", type(None): "null"}
    return names.get(type(told), "a number")


_PLAIN: Mapping[Any, Reader] = {
    float: _number,
    int: _of(int, "a whole number"),
    str: _of(str, "text"),
    bool: _of(bool, "true or false"),
    dict: _of(dict, "an object"),
    Moment: _moment,
    Any: lambda told, where: told,
}
