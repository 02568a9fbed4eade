"""Arguments as JSON has them. Numbers and arrays of numpy, and whatever else acts as they do, are taken as they are."""

from __future__ import annotations

import math
import operator
from typing import Any, Mapping

from .record import Record
from .words import argument


def plain(value: Any, where: str) -> Any:
    """A value as JSON has it; `where` is its path in the params.

    Raises TypeError or ValueError, which names the argument, for what can't be sent.
    """
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return _finite(value, where)
    if isinstance(value, Mapping):
        return {name: plain(item, f"{where}.{name}" if where else str(name)) for name, item in value.items()}
    if isinstance(value, (list, tuple, range)):
        return [plain(item, f"{where}[{index}]") for index, item in enumerate(value)]
    if isinstance(value, Record) and isinstance(getattr(value, "id", None), str):
        # A Meter or a Correction, where its id is meant.
        return value.id  # type: ignore[attr-defined]
    return _acting_plain(value, where)


def _acting_plain(value: Any, where: str) -> Any:
    kind = type(value)
    if callable(getattr(kind, "tolist", None)):
        told = value.tolist()
        # Some numbers that have no equal in Python give themselves.
        if type(told) is not kind:
            return plain(told, where)
    if hasattr(kind, "__index__"):
        return operator.index(value)
    if hasattr(kind, "__float__"):
        return _finite(value, where)
    raise _unfit(value, where)


def _unfit(value: Any, where: str) -> TypeError:
    return TypeError(f"{argument(where)}: {type(value).__name__} can't be sent; it takes numbers, text, or lists of them")


def _finite(value: Any, where: str) -> float:
    try:
        number = float(value)
    except TypeError:
        # A complex number says that it has one, before Python 3.10.
        raise _unfit(value, where) from None
    if not math.isfinite(number):
        raise ValueError(f"{argument(where)} must be a finite number, not {number}")
    return number
