"""The client that waits: for scripts, notebooks and threads."""

from __future__ import annotations

import sys
import threading
import weakref
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Callable, Dict, Generic, Iterator, Optional, TypeVar, Union

from . import errors, methods
from .bound import bound, checked
from .call import Call
from .connection import Connection
from .following import Following, Meters, Missed, Readings, Runs
from .fork import Process
from .lease import Lease, Leases
from .link import PATIENCE_S
from .log import Pages
from .log_methods import RunNumber
from .meter import Hello, Meter, MeterId
from .observation import Observation
from .place import Path, candidates
from .plain import plain
from .reading import Reading
from .record import Record
from .run import RunChanged

if TYPE_CHECKING:
    from typing_extensions import Concatenate, ParamSpec

    P = ParamSpec("P")

T = TypeVar("T")
R = TypeVar("R", bound=Record)


def _waits(function: "Callable[P, Call[T]]") -> "Callable[Concatenate[Client, P], T]":
    fitting = checked(function)

    def method(self: "Client", *arguments: Any, **named: Any) -> T:
        call: Call[T] = fitting(*arguments, **named)
        return self.carry_out(call)

    result: "Callable[Concatenate[Client, P], T]" = bound(function, method)
    return result


def _pages(function: "Callable[P, Pages[R]]") -> "Callable[Concatenate[Client, P], Iterator[R]]":
    fitting = checked(function)

    def method(self: "Client", *arguments: Any, **named: Any) -> Iterator[R]:
        return Rows(self, fitting(*arguments, **named))

    result: "Callable[Concatenate[Client, P], Iterator[R]]" = bound(function, method, "Iterator[{}]")
    return result


def _follows(
    function: "Callable[P, Dict[str, Any]]",
) -> "Callable[Concatenate[Client, P], Observation[Union[Reading, Missed]]]":
    fitting = checked(function)

    def method(self: "Client", *arguments: Any, **named: Any) -> "Observation[Union[Reading, Missed]]":
        return self._following(Readings(self._name, self._leases, fitting(*arguments, **named)))

    result: "Callable[Concatenate[Client, P], Observation[Union[Reading, Missed]]]"
    result = bound(function, method, "Observation[Union[Reading, Missed]]")
    return result


class Rows(Generic[R]):
    """Records that are fetched a page at a time while they are iterated over."""

    def __init__(self, client: "Client", pages: Pages[R]) -> None:
        self._pages, self._rows = pages, client._every(pages)

    def __iter__(self) -> Iterator[R]:
        return self._rows

    def __next__(self) -> R:
        return next(self._rows)

    def __repr__(self) -> str:
        return repr(self._pages)


class Client:
    """A client of the daemon. `with Client() as client:` closes it; so does the end of the program.

    `path`: the socket, else $SETTLED_SOCKET, else the user's own, else the system's. `name`: what the daemon calls this client.
    `timeout_s`: for calls that name none; without it they wait as long as it takes.

    Threads may share a client: each waits for its own answer, none waits for another's. They share its leases, too. Once the
    connection has ended, the call that was under way raises ConnectionLostError, and the next one connects anew. Processes that are
    forked can't share one: there its calls raise ForkedError.
    """

    def __init__(
        self, path: Optional[Path] = None, *, name: Optional[str] = None, timeout_s: Optional[float] = None
    ) -> None:
        self._path, self._name, self._timeout_s = path, name, timeout_s
        self._leases, self._process = Leases(), Process()
        self._opening = threading.Lock()
        self._connection: Optional[Connection] = None
        self._forgotten: Optional[weakref.finalize[Any, Client]] = None
        self._is_closed = False
        self._hello: Optional[Hello] = None
        self._connected()

    def _check(self) -> None:
        """Raises where nothing can be asked any more."""
        self._process.check("client")
        if self._is_closed:
            raise errors.ClosedError("this client was closed: make another one")
        if sys.is_finalizing():
            # A reader's thread could not be started, and there is none that reads.
            raise errors.ClosedError("the program ends, and has closed this client")

    def _connected(self) -> Connection:
        self._check()
        with self._opening:
            self._check()
            if self._connection is None or self._connection.has_ended:
                connection = Connection(candidates(self._path))
                try:
                    self._hello = connection.carry_out(methods.hello(self._name, timeout_s=PATIENCE_S), {})
                    connection.limits(self._hello.limits)
                except BaseException:
                    connection.close()
                    raise
                self._connection = connection
                # The reader's thread knows the connection alone: a client that is forgotten closes it.
                if self._forgotten is not None:
                    self._forgotten.detach()
                self._forgotten = weakref.finalize(self, connection.close)
            return self._connection

    def carry_out(self, call: Call[T]) -> T:
        """Carries any call out. The methods below are calls of `settled.methods`, carried out."""
        self._check()
        call = call.within(self._timeout_s)
        attempt = self._leases.attempt(call)
        while True:
            try:
                return self._connected().carry_out(call, attempt.params)
            except errors.SettledError as error:
                attempt.failed(error)

    def _following(self, following: Following[T]) -> Observation[T]:
        self._check()
        return Observation(following, candidates(self._path))

    def _every(self, pages: Pages[R]) -> Iterator[R]:
        while not pages.is_over:
            yield from self.carry_out(pages.call)

    hello = _waits(methods.hello)
    status = _waits(methods.status)
    page_address = _waits(methods.page_address)
    meters = _waits(methods.meters)
    read = _waits(methods.read)
    settle = _waits(methods.settle)
    zero = _waits(methods.zero)
    correct = _waits(methods.correct)
    add_correction = _waits(methods.add_correction)
    remove_correction = _waits(methods.remove_correction)
    corrections = _pages(methods.corrections)
    log_readings = _pages(methods.log_readings)
    log_events = _pages(methods.log_events)
    log_bins = _pages(methods.log_bins)
    log_statistics = _waits(methods.log_statistics)
    log_compare = _waits(methods.log_compare)
    log_backup = _waits(methods.log_backup)
    log_check = _waits(methods.log_check)
    start_run = _waits(methods.start_run)
    runs = _pages(methods.runs)
    run = _waits(methods.run)
    stop_run = _waits(methods.stop_run)
    stage_show = _waits(methods.stage_show)

    observe = _follows(methods.observe)

    def observe_meters(self) -> "Observation[Union[Meter, Missed]]":
        """Meters as they come, go, fail and recover."""
        return self._following(Meters(self._name, self._leases))

    def observe_runs(self, run: Optional[RunNumber] = None) -> "Observation[Union[RunChanged, Missed]]":
        """How a run gets on, or all that are not over: RunChanged, with the alert that is news. It outlives the daemon, as runs do.

        It begins with each as it is now. It never ends by itself: look at `change.run.is_over`.
        """
        return self._following(Runs(self._name, self._leases, methods.observe_runs(run)))

    @contextmanager
    def lease(
        self, meter: MeterId, *, ttl_s: Optional[float] = None, wait_s: Optional[float] = None, purpose: Optional[str] = None
    ) -> Iterator[Lease]:
        """Exclusive use of a meter: `with client.lease("bench", purpose="chart"):`. Everything inside carries its token.

        It is renewed in the background and given back at the end. `ttl_s`: how long it outlives a program that hangs, 60 if left
        out. `wait_s`: how long to wait for it in turn, 60 if left out; 0: now or not at all. Once it is lost, calls inside raise
        LeaseLostError, and so does the end of the block. Where this client has a lease on the meter already, from SETTLED_LEASE or
        around this one, that one counts.
        """
        self._check()
        outer = self._leases.on(plain(meter, "meter"))
        if outer is not None:
            yield outer
            return
        taking = methods.take_lease(meter, ttl_s=ttl_s, wait_s=wait_s, purpose=purpose).within(self._timeout_s)
        connection = self._connected()
        granted = connection.carry_out(taking, {})
        lease = Lease(granted.meter, granted.lease, granted.ttl_s)
        self._leases.add(lease)
        over = threading.Event()
        keeping = (connection, lease, over, self._speed)
        threading.Thread(target=_renew, args=keeping, name="settled-lease", daemon=True).start()
        try:
            yield lease
        finally:
            over.set()
            self._leases.remove(lease)
            self._give_back(connection, lease)
        lease.check()

    def _give_back(self, connection: Connection, lease: Lease) -> None:
        # On no other connection, and not where no thread reads it any more: the end of the one that took it frees the meter.
        if not self._process.is_this or sys.is_finalizing():
            return
        try:
            connection.carry_out(lease.release(), {})
        except errors.ClosedError:
            # Whoever closed the client has given it back.
            pass
        except errors.SettledError as error:
            lease.lose(error)

    @property
    def _speed(self) -> float:
        return 1.0 if self._hello is None else self._hello.clock.speed

    def close(self) -> None:
        """Ends the connection. Observations have their own, and go on."""
        self._is_closed = True
        # Elsewhere the lock may be held for ever, by a thread that is no more; and the connection is closed already.
        if self._process.is_this and not sys.is_finalizing():
            with self._opening:
                if self._connection is not None:
                    self._connection.close()

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *raised: Any) -> None:
        self.close()

    def __repr__(self) -> str:
        name = "" if self._name is None else f", {self._name}"
        return f"<settled.Client at {' or '.join(candidates(self._path))}{name}, {'closed' if self._is_closed else 'open'}>"


def _renew(connection: Connection, lease: Lease, over: threading.Event, speed: float) -> None:
    while not lease.is_lost and not over.wait(lease.renew_in_s(speed)):
        try:
            connection.carry_out(lease.renewal(speed), {})
        except errors.ClosedError:
            return
        except errors.SettledError as error:
            # Once it is over it has been given back, and whether it was lost before, that tells.
            if not over.is_set():
                lease.lose(error)
