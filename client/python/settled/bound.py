"""Methods that are made from functions, and look as if they had been written by hand."""

from __future__ import annotations

import functools
import inspect
from typing import Any, Callable


def bound(function: Callable[..., Any], method: Any, returns: str = "{}") -> Any:
    """Gives a client's method the words and the signature of the function that it was made from.

    What that returns, `Call[Reading]` say, is told as `returns` of what is in the brackets.
    """
    functools.update_wrapper(method, function)
    signature = inspect.signature(function)
    itself = inspect.Parameter("self", inspect.Parameter.POSITIONAL_ONLY)
    inner = str(signature.return_annotation).partition("[")[2][:-1]
    method.__signature__ = signature.replace(
        parameters=[itself, *signature.parameters.values()], return_annotation=returns.format(inner)
    )
    return method


def checked(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same, where arguments that don't fit are an error that says which there are."""
    signature = inspect.signature(function)
    bare = [parameter.replace(annotation=inspect.Parameter.empty) for parameter in signature.parameters.values()]
    usage = f"{function.__name__}{signature.replace(parameters=bare, return_annotation=inspect.Signature.empty)}"

    @functools.wraps(function)
    def fitting(*arguments: Any, **named: Any) -> Any:
        try:
            signature.bind(*arguments, **named)
        except TypeError as error:
            raise TypeError(f"{error}: it is {usage}, and what comes after * goes by its name") from None
        return function(*arguments, **named)

    return fitting
