"""Following a meter, all of them, or runs across restarts of the daemon. No I/O and no clock: a transport carries the bytes.

A subscription has a connection of its own. It takes in bytes only when its reader has used up what came before, so nothing piles
up here: the daemon drops what a slow reader doesn't take, and says in the stream what that was.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any, Deque, Dict, Generator, Generic, List, Optional, Set, TypeVar, Union

from . import errors, methods
from .call import Call, given
from .conversation import Conversation, Notice, Pending
from .lease import Attempt, Leases
from .meter import Meter
from .reading import Reading
from .record import Misfit, Record
from .run import Run, RunChanged

T = TypeVar("T")

#: Waits before the next attempt to connect, in s: short after a restart, long enough to keep no processor busy.
FIRST_DELAY_S, LONGEST_DELAY_S = 0.05, 2.0

#: What passes by itself: the daemon is asked again.
PASSING = (errors.ConnectionLostError, errors.NoDaemonError, errors.ShuttingDownError, errors.OverloadedError)

Steps = Generator["Call[Any]", Any, None]


@dataclass(frozen=True)
class Missed(Record):
    """A gap, at its place in the stream. Sequences are given where they are known.

    `why`: `slow_reader` (they are in the log); `log_unavailable` (the log could not tell: of its sequences at most `count` were
    this meter's); and from this side `other_log` (the daemon came back with a log that doesn't know the sequence that was reached).
    """

    why: str
    count: Optional[int] = None
    from_sequence: Optional[int] = None
    to_sequence: Optional[int] = None


class Following(Generic[T]):
    """What all subscriptions have in common. For each connection: `begin`, then `heard` for what comes, and send what they give."""

    def __init__(self, client: Optional[str], leases: Leases) -> None:
        self._client, self._leases = client, leases
        self._items: Deque[T] = deque()
        self._conversation = Conversation()
        self._steps: Steps = iter(())  # type: ignore[assignment]
        self._attempt = Attempt([None], [])
        self._subscription: Optional[str] = None
        self._delay_s = FIRST_DELAY_S
        self._was_established = False

    @property
    def is_established(self) -> bool:
        """Whether the daemon has taken the subscription on this connection."""
        return self._subscription is not None

    def take(self) -> Optional[T]:
        """The next item, if there is one. Ask for more bytes only when there is none."""
        return self._items.popleft() if self._items else None

    def begin(self) -> bytes:
        """There is a new connection: what to send first."""
        self._conversation, self._subscription = Conversation(), None
        self._steps = self._subscribe()
        return self._ask(next(self._steps))

    def heard(self, data: bytes) -> bytes:
        """Bytes came; gives those to send. Raises SettledError where it can't go on: hand that to `failed`."""
        if not data:
            raise errors.ConnectionLostError("the daemon closed the connection")
        answer = b""
        for came in self._conversation.heard(data):
            if isinstance(came, Pending):
                answer += self._step(came)
            elif came.params.get("subscription") == self._subscription is not None:
                self._read(came)
        return answer

    def failed(self, error: errors.SettledError) -> float:
        """The connection failed or could not be made: how long to wait for the next, in s. Raises the error where there is none."""
        if not (self._was_established and isinstance(error, PASSING)):
            raise error
        self._subscription = None
        delay_s, self._delay_s = self._delay_s, min(2 * self._delay_s, LONGEST_DELAY_S)
        return delay_s

    def _ask(self, call: Call[Any]) -> bytes:
        self._attempt = self._leases.attempt(call)
        return self._conversation.ask(call, self._attempt.params)[1]

    def _step(self, pending: Pending[Any]) -> bytes:
        try:
            try:
                result = pending.result()
            except errors.SettledError as error:
                return self._ask(self._steps.throw(self._noted(error)))
            return self._ask(self._steps.send(result))
        except StopIteration:
            return b""

    def _noted(self, error: errors.SettledError) -> errors.SettledError:
        try:
            self._attempt.failed(error)
        except errors.SettledError:
            pass
        return error

    def _established(self, subscription: str) -> None:
        self._subscription, self._was_established, self._delay_s = subscription, True, FIRST_DELAY_S

    def _read(self, notice: Notice) -> None:
        try:
            self._notice(notice)
        except Misfit as misfit:
            message = f"the daemon's notification {notice.method} can't be read: {misfit}. Is it of another version?"
            raise errors.BadAnswerError(message) from None

    def __str__(self) -> str:
        raise NotImplementedError

    def _subscribe(self) -> Steps:
        raise NotImplementedError

    def _notice(self, notice: Notice) -> None:
        raise NotImplementedError


class Readings(Following[Union[Reading, Missed]]):
    """A meter's readings, resumed by sequence: no gap, no repeat."""

    def __init__(self, client: Optional[str], leases: Leases, params: Dict[str, Any]) -> None:
        super().__init__(client, leases)
        self._params = {name: value for name, value in params.items() if name != "after"}
        self._last: Optional[int] = params.get("after")

    def __str__(self) -> str:
        return f"readings of {self._params['meter']}"

    def _subscribe(self) -> Steps:
        yield methods.hello(self._client)
        if self._last is None and not self._was_established:
            self._last = yield from _reached()
        elif self._last is None:
            # Without a log nothing can tell what was read meanwhile.
            self._items.append(Missed("log_unavailable"))
        try:
            subscription = yield self._call()
        except (errors.InvalidParamsError, errors.LogUnavailableError) as error:
            if not self._was_established or self._last is None:
                raise
            why = "log_unavailable" if isinstance(error, errors.LogUnavailableError) else "other_log"
            self._items.append(Missed(why, from_sequence=self._last + 1))
            self._last = None
            subscription = yield self._call()
        self._established(subscription)

    def _call(self) -> Call[Any]:
        params = {**self._params, **given(after=self._last)}
        return Call("meter.observe", params, _subscription, takes_lease="interval_s" in params)

    def _notice(self, notice: Notice) -> None:
        if notice.method == "reading":
            reading = Reading.read(notice.params.get("reading"), "the reading")
            # What was told before the connection ended is in the log, too.
            if self._last is None or reading.sequence > self._last:
                self._last = reading.sequence
                self._items.append(reading)
        elif notice.method == "missed":
            missed = _missed(notice)
            if self._last is not None and missed.to_sequence is not None:
                self._last = max(self._last, missed.to_sequence)
            self._items.append(missed)


class Meters(Following[Union[Meter, Missed]]):
    """Meters as they change; each of them as it is now where a connection began anew."""

    def __str__(self) -> str:
        return "meters"

    def _subscribe(self) -> Steps:
        yield methods.hello(self._client)
        is_anew = self._was_established
        self._established((yield Call("meters.observe", {}, _subscription)))
        if is_anew:
            now: List[Meter] = yield methods.meters()
            self._items.extend(now)

    def _notice(self, notice: Notice) -> None:
        if notice.method == "meters.changed":
            self._items.append(Meter.read(notice.params.get("meter"), "the meter"))
        elif notice.method == "missed":
            self._items.append(_missed(notice))


class Runs(Following[Union[RunChanged, Missed]]):
    """How runs get on. Each as it is now where a connection begins, also those that came to their end since the last one."""

    def __init__(self, client: Optional[str], leases: Leases, params: Dict[str, Any]) -> None:
        super().__init__(client, leases)
        self._params = params
        one = params.get("run")
        #: Those that were not over when they were told last.
        self._unfinished: Set[int] = set() if one is None else {one}
        self._is_looking = self._has_missed = False
        #: When the one that is watched was asked for: one of the same number in another log was at another time.
        self._created: Optional[str] = None

    def __str__(self) -> str:
        return "runs" if "run" not in self._params else f"run {self._params['run']}"

    def heard(self, data: bytes) -> bytes:
        """As above; where something was missed, how things are now is asked for."""
        answer = super().heard(data)
        if self._has_missed and not self._is_looking and self.is_established:
            self._steps = self._look()
            answer += self._ask(next(self._steps))
        return answer

    def _subscribe(self) -> Steps:
        yield methods.hello(self._client)
        self._established((yield Call("runs.observe", self._params, _subscription)))
        # Only now: what changes in between is told twice, and never not at all.
        yield from self._look()

    def _look(self) -> Steps:
        self._is_looking, self._has_missed = True, False
        missing = set(self._unfinished)
        for state in ("running", "planned") if "run" not in self._params else ():
            pages = methods.runs(state=state)
            while not pages.is_over:
                for run in (yield pages.call):
                    missing.discard(run.run)
                    self._told(RunChanged(run))
        for number in sorted(missing):
            self._unfinished.discard(number)
            for run in (yield methods.runs(before=number + 1, limit=1).call):
                if run.run == number:
                    self._told(RunChanged(run))
                elif "run" in self._params:
                    raise errors.NoSuchRunError(f"there is no run {number} in the daemon's log")
        self._is_looking = False

    def _told(self, change: RunChanged) -> None:
        run: Run = change.run
        if "run" in self._params:
            self._created = self._created or run.created.exact
            if self._created != run.created.exact:
                raise errors.NoSuchRunError(f"run {run.run} is another one: the daemon's log is another than before")
        if run.is_over:
            self._unfinished.discard(run.run)
        else:
            self._unfinished.add(run.run)
        self._items.append(change)

    def _notice(self, notice: Notice) -> None:
        if notice.method == "runs.changed":
            members = {name: value for name, value in notice.params.items() if name != "subscription"}
            self._told(RunChanged.read(members, "the notification"))
        elif notice.method == "missed":
            self._items.append(_missed(notice))
            self._has_missed = True


def _reached() -> Generator[Call[Any], Any, Optional[int]]:
    """The sequence that the log has come to; None without a log. What is read from now on can be asked for by it."""
    try:
        status = yield methods.status()
    except errors.NotPermittedError:
        return None
    if not status.log.writing:
        return None
    return status.log.last_sequence or 0


def _subscription(told: Any) -> str:
    name = told.get("subscription") if isinstance(told, dict) else None
    if not isinstance(name, str):
        raise Misfit("the result.subscription must be text")
    return name


def _missed(notice: Notice) -> Missed:
    names = {"from": "from_sequence", "to": "to_sequence"}
    told = {names.get(name, name): value for name, value in notice.params.items() if name != "subscription"}
    return Missed.read(told, "the notification")
