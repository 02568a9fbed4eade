"""One connection without its socket: lines in and out, ids, and who waits for what. No I/O, no clock, no threads.

A transport hands in the bytes it received and sends the bytes it is given; `client` and `aio` are two of them.
"""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass
from typing import Any, Callable, Dict, Generic, List, Mapping, Optional, Tuple, TypeVar, Union

from . import errors
from .call import Call
from .record import Misfit
from .settling import Progress

T = TypeVar("T")
V = TypeVar("V")

#: Longest line to the daemon, without its end: what it takes.
LONGEST_LINE = 1 << 20

#: Longest line from the daemon: a page of a thousand readings with room to spare. Bounds what waits for its end.
LONGEST_ANSWER = 4 << 20


#: Requests that a daemon lets wait where it doesn't say how many, and how many fewer are sent: what was just taken back may still count.
USUAL_ROOM, SPARE = 64, 4


def room(limits: Mapping[str, Any]) -> int:
    """How many requests of one connection may wait for their answers at once, by what `hello` said."""
    told = limits.get("pending_requests")
    return max((told if isinstance(told, int) else USUAL_ROOM) - SPARE, 1)


class Pending(Generic[T]):
    """A request that waits for its answer. `waker` is called when there is news."""

    def __init__(self, number: int, call: Call[T]) -> None:
        self.id, self.call = number, call
        self.waker: Callable[[], None] = lambda: None
        self._answer: Optional[Tuple[Any, Optional[errors.SettledError]]] = None
        # The latest alone: whoever is slow to look gets what counts, and nothing piles up.
        self._progress: Any = None

    @property
    def is_over(self) -> bool:
        """Whether there is an answer."""
        return self._answer is not None

    def end(self, result: Any, error: Optional[errors.SettledError]) -> None:
        """There is an answer; the first counts."""
        self._answer = self._answer or (result, error)
        self.waker()

    def report(self, told: Any) -> None:
        """There is progress."""
        self._progress = told
        self.waker()

    def take_progress(self) -> Optional[Progress]:
        """The latest progress that nobody has taken yet."""
        told, self._progress = self._progress, None
        return None if told is None else self._read(Progress.read, told)

    def result(self) -> T:
        """The result, once it is over; or its error is raised."""
        assert self._answer is not None
        result, error = self._answer
        if error is not None:
            raise error
        return self._read(self.call.read, result)

    def _read(self, reader: Callable[[Any], V], told: Any) -> V:
        try:
            return reader(told)
        except Misfit as misfit:
            message = f"the daemon's answer to {self.call.method} can't be read: {misfit}. Is it of another version?"
            raise errors.BadAnswerError(message) from None


@dataclass(frozen=True)
class Notice:
    """Something the daemon said unasked."""

    method: str
    params: Mapping[str, Any]


class Conversation:
    """One connection's requests and answers."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._searched = 0
        self._last_id = 0
        self._waiting: Dict[int, Pending[Any]] = {}

    def ask(self, call: Call[T], more: Mapping[str, Any]) -> Tuple[Pending[T], bytes]:
        """A request, with `more` params than the call's own, and the bytes to send. Raises ValueError if it isn't JSON, or too long."""
        number = self._last_id + 1
        line = _line({"jsonrpc": "2.0", "id": number, "method": call.method, "params": {**call.params, **more}})
        self._last_id = number
        pending = self._waiting[number] = Pending(number, call)
        return pending, line

    def take_back(self, pending: Pending[Any]) -> bytes:
        """Nobody waits for it any more. The bytes that tell the daemon, if it may not know yet."""
        if self._waiting.pop(pending.id, None) is None:
            return b""
        return _line({"jsonrpc": "2.0", "method": "request.cancel", "params": {"id": pending.id}})

    def heard(self, data: bytes) -> List[Union[Pending[Any], Notice]]:
        """What came of these bytes: requests that are over now, and notices, in their order. Progress goes where it belongs.

        Raises SettledError if the conversation can't go on: then hand the error to `over`.
        """
        self._buffer += data
        came: List[Union[Pending[Any], Notice]] = []
        while True:
            end = self._buffer.find(b"\n", self._searched)
            if max(end, len(self._buffer) if end < 0 else end) > LONGEST_ANSWER:
                raise errors.BadAnswerError(f"a line of more than {LONGEST_ANSWER} bytes came: that isn't this protocol")
            if end < 0:
                self._searched = len(self._buffer)
                return came
            line = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            self._searched = 0
            item = self._line(line) if line.strip() else None
            if item is not None:
                came.append(item)

    def over(self, error: errors.SettledError) -> None:
        """The connection has ended: everybody who still waits is told so."""
        waiting, self._waiting = self._waiting, {}
        for pending in waiting.values():
            # Each has its own: whoever raises it leaves a traceback on it.
            pending.end(None, copy.copy(error))

    def _line(self, line: bytes) -> Union[Pending[Any], Notice, None]:
        told = _decoded(line)
        if isinstance(told.get("method"), str) and "id" not in told:
            return self._notice(told["method"], told.get("params"))
        number = told.get("id")
        if number is None and "error" in told:
            # It is about the connection as a whole: too many of them, say.
            raise errors.told(told["error"])
        if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= self._last_id:
            raise errors.BadAnswerError(f"an answer came to nothing that was asked: {line[:200]!r}")
        if ("result" in told) == ("error" in told):
            raise errors.BadAnswerError(f"an answer must have a result or an error: {line[:200]!r}")
        pending = self._waiting.pop(number, None)
        # What was taken back may be answered all the same.
        if pending is not None:
            pending.end(told.get("result"), errors.told(told["error"]) if "error" in told else None)
        return pending

    def _notice(self, method: str, params: Any) -> Optional[Notice]:
        if not isinstance(params, dict):
            raise errors.BadAnswerError(f"the notification {method[:80]} has no params")
        if method != "settle.progress":
            return Notice(method, params)
        request = params.get("request")
        pending = self._waiting.get(request) if isinstance(request, int) else None
        if pending is not None:
            pending.report(params)
        return None


def _line(message: Dict[str, Any]) -> bytes:
    line = json.dumps(message, allow_nan=False, separators=(",", ":"), ensure_ascii=False).encode()
    if len(line) > LONGEST_LINE:
        raise ValueError(f"{message['method']}: {len(line)} bytes, and a request may have {LONGEST_LINE} at most")
    return line + b"\n"


def _no_number(text: str) -> Any:
    raise ValueError(f"{text} is no number")


def _decoded(line: bytes) -> Dict[str, Any]:
    try:
        told = json.loads(line.decode(), parse_constant=_no_number)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise errors.BadAnswerError(f"this is no message of the protocol: {line[:200]!r}")
    return told
