"""A call, before anybody carries it out: its method, its params, and how its answer is read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Callable, Dict, Generic, Optional, TypeVar

from .plain import plain
from .settling import Progress

T = TypeVar("T")


@dataclass(frozen=True)
class Call(Generic[T]):
    """What a client sends and what it makes of the answer. Nothing in it does I/O."""

    method: str
    params: Dict[str, Any]
    #: Reads the result; raises record.Misfit if it doesn't have the shape that the protocol gives it.
    read: Callable[[Any], T]
    #: Give up after so many seconds, and take the request back.
    timeout_s: Optional[float] = None
    #: Told of progress, in the thread or the task that waits for the answer.
    progress: Optional[Callable[[Progress], None]] = None
    #: Whether the method takes the token of a lease on `params["meter"]`.
    takes_lease: bool = False

    def __post_init__(self) -> None:
        """Makes the params plain. Raises TypeError or ValueError, which names the argument, for what can't be sent."""
        object.__setattr__(self, "params", plain(self.params, ""))

    def within(self, timeout_s: Optional[float]) -> "Call[T]":
        """The same, given up after so long if it doesn't say itself when."""
        return self if self.timeout_s is not None else replace(self, timeout_s=timeout_s)


def given(**params: Any) -> Dict[str, Any]:
    """Params without those that were left out."""
    return {name: value for name, value in params.items() if value is not None}
