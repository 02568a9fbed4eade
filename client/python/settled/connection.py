"""One connection that threads share."""

from __future__ import annotations

import copy
import threading
import time
from contextlib import contextmanager
from typing import Any, Iterator, List, Mapping, Optional, TypeVar

from . import errors
from .call import Call
from .conversation import Conversation, Pending, room
from .fork import Process
from .lease import AT_ONCE
from .link import Link

T = TypeVar("T")


class Connection:
    """One connection, with a thread that reads it. Any thread may ask; each waits for its own answer."""

    def __init__(self, paths: List[str]) -> None:
        self._link, self._process = Link(paths), Process()
        self._conversation = Conversation()
        # Ids go out in their order; the reader never waits for a sender.
        self._sending, self._table = threading.Lock(), threading.Lock()
        self._ended: Optional[errors.SettledError] = None
        self._room = threading.Semaphore(room({}))
        try:
            threading.Thread(target=self._read, name="settled-reader", daemon=True).start()
        except RuntimeError as error:
            self._link.close()
            raise errors.ClosedError(f"nothing can be asked while the program ends: {error}") from error

    @property
    def has_ended(self) -> bool:
        """Whether nothing can be asked any more."""
        return self._ended is not None

    def limits(self, limits: Mapping[str, Any]) -> None:
        """What the daemon said of its limits, before others know of this connection."""
        self._room = threading.Semaphore(room(limits))

    def carry_out(self, call: Call[T], more: Mapping[str, Any]) -> T:
        """Asks, and waits for the answer; whatever ends the wait before takes the request back.

        Of more than the daemon lets wait at once, the rest waits here.
        """
        deadline = None if call.timeout_s is None else time.monotonic() + call.timeout_s
        if call.method in AT_ONCE:
            return self._ask(call, more, deadline)
        with self._turn(call, deadline):
            return self._ask(call, more, deadline)

    @contextmanager
    def _turn(self, call: Call[Any], deadline: Optional[float]) -> Iterator[None]:
        left = None if deadline is None else max(deadline - time.monotonic(), 0.0)
        if not self._room.acquire(timeout=left):
            raise errors.TimedOutError(f"{call.method} found no room beside others of this client within {call.timeout_s} s")
        try:
            yield
        finally:
            self._room.release()

    def _ask(self, call: Call[T], more: Mapping[str, Any], deadline: Optional[float]) -> T:
        news = threading.Event()
        with self._sending:
            with self._table:
                if self._ended is not None:
                    raise copy.copy(self._ended)
                pending, line = self._conversation.ask(call, more)
                pending.waker = news.set
            try:
                self._link.send(line)
            except errors.ConnectionLostError as error:
                self._end(error)
        try:
            while not pending.is_over:
                left = None if deadline is None else deadline - time.monotonic()
                if not news.wait(left):
                    raise errors.TimedOutError(f"{call.method} gave no answer within {call.timeout_s} s")
                news.clear()
                self._report(pending)
            return pending.result()
        finally:
            self._take_back(pending)

    @staticmethod
    def _report(pending: Pending[Any]) -> None:
        progress = pending.take_progress()
        if progress is not None and pending.call.progress is not None:
            pending.call.progress(progress)

    def _take_back(self, pending: Pending[Any]) -> None:
        with self._sending:
            with self._table:
                line = self._conversation.take_back(pending)
            if line and self._ended is None:
                try:
                    self._link.send(line)
                except errors.ConnectionLostError as error:
                    self._end(error)

    def _read(self) -> None:
        error: errors.SettledError = errors.ConnectionLostError("the daemon closed the connection before it answered")
        while self._ended is None:
            data = self._link.receive()
            if not data:
                break
            try:
                with self._table:
                    self._conversation.heard(data)
            except errors.SettledError as broken:
                error = broken
                break
        self._end(error)

    def _end(self, error: errors.SettledError) -> None:
        with self._table:
            self._ended = self._ended or error
            self._conversation.over(self._ended)
        self._link.close()

    def close(self) -> None:
        """Ends it; who still waits gets ClosedError. The connection of a parent isn't ours to end."""
        if self._process.is_this:
            self._end(errors.ClosedError("the client was closed while this waited"))
