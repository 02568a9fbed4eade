"""A subscription that is iterated over, on a connection of its own."""

from __future__ import annotations

import time
from typing import Any, Generic, Iterator, List, Optional, TypeVar

from . import errors
from .following import Following
from .fork import Process
from .link import PATIENCE_S, Link

T = TypeVar("T")


class Observation(Generic[T]):
    """What a subscription yields: `for item in observation`. One thread at a time.

    It reads from the daemon only when its own items are used up. A reader that is slow for long is told what it missed, and
    costs neither memory here nor anybody else's time.
    """

    def __init__(self, following: Following[T], paths: List[str]) -> None:
        self._following, self._paths = following, paths
        self._process = Process()
        self._link: Optional[Link] = None
        self._is_closed = False
        self._not_before = 0.0
        # A mistake in what is asked for is raised here, and not at the first item.
        self._connect()
        while not following.is_established:
            self._go_on(None)

    def next(self, timeout_s: Optional[float] = None) -> T:
        """The next item. Raises TimedOutError where none comes in time; StopIteration once this was closed."""
        self._process.check("observation")
        deadline = None if timeout_s is None else time.monotonic() + timeout_s
        while True:
            item = self._following.take()
            if item is not None:
                return item
            if self._is_closed:
                raise StopIteration
            if deadline is not None and time.monotonic() >= deadline:
                raise errors.TimedOutError(f"nothing came within {timeout_s} s")
            self._go_on(deadline)

    def _go_on(self, deadline: Optional[float]) -> None:
        """Takes in what comes next, or connects anew."""
        try:
            if self._link is None:
                pause_s = self._not_before - time.monotonic()
                if pause_s > 0:
                    return time.sleep(pause_s if deadline is None else min(pause_s, max(deadline - time.monotonic(), 0)))
                return self._connect()
            self._hear(self._link, deadline)
        except errors.SettledError as error:
            self._drop()
            if self._is_closed:
                return
            self._not_before = time.monotonic() + self._following.failed(error)

    def _connect(self) -> None:
        self._link = Link(self._paths)
        self._link.send(self._following.begin())

    def _hear(self, link: Link, deadline: Optional[float]) -> None:
        is_established = self._following.is_established
        left_s = None if deadline is None else max(deadline - time.monotonic(), 0.0)
        try:
            data = link.receive(left_s if is_established else PATIENCE_S)
        except TimeoutError:
            if is_established:
                return
            raise errors.ConnectionLostError(f"the daemon said nothing within {PATIENCE_S} s") from None
        answer = self._following.heard(data)
        if answer:
            link.send(answer)

    def _drop(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None

    def close(self) -> None:
        """Ends the subscription. From another thread, too: whoever waits for an item is told that there are no more."""
        self._is_closed = True
        self._drop()

    def __iter__(self) -> Iterator[T]:
        return self

    def __next__(self) -> T:
        return self.next()

    def __enter__(self) -> "Observation[T]":
        return self

    def __exit__(self, *raised: Any) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Observation of {self._following}, {'closed' if self._is_closed else 'open'}>"

    def __del__(self) -> None:
        if getattr(self, "_link", None) is not None:
            self._drop()
