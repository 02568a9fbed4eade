"""The client that waits: for scripts, notebooks and threads."""

from __future__ import annotations

import threading
import weakref
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Callable, Dict, Iterator, Optional, TypeVar, Union

from . import errors, methods
from .bound import bound
from .call import Call
from .connection import Connection
from .following import Meters, Missed, Readings
from .lease import Lease, Leases
from .link import PATIENCE_S
from .log import Pages
from .meter import Hello, Meter
from .observation import Observation
from .place import candidates
from .reading import Reading
from .record import Record

if TYPE_CHECKING:
    from typing_extensions import Concatenate, ParamSpec

    P = ParamSpec("P")

T = TypeVar("T")
R = TypeVar("R", bound=Record)


def _waits(function: "Callable[P, Call[T]]") -> "Callable[Concatenate[Client, P], T]":
    def method(self: "Client", *arguments: Any, **named: Any) -> T:
        return self.carry_out(function(*arguments, **named))

    result: "Callable[Concatenate[Client, P], T]" = bound(function, method)
    return result


def _pages(function: "Callable[P, Pages[R]]") -> "Callable[Concatenate[Client, P], Iterator[R]]":
    def method(self: "Client", *arguments: Any, **named: Any) -> Iterator[R]:
        return self._every(function(*arguments, **named))

    result: "Callable[Concatenate[Client, P], Iterator[R]]" = bound(function, method, "Iterator[{}]")
    return result


def _follows(
    function: "Callable[P, Dict[str, Any]]",
) -> "Callable[Concatenate[Client, P], Observation[Union[Reading, Missed]]]":
    def method(self: "Client", *arguments: Any, **named: Any) -> "Observation[Union[Reading, Missed]]":
        following = Readings(self._name, self._leases, function(*arguments, **named))
        return Observation(following, candidates(self._path))

    result: "Callable[Concatenate[Client, P], Observation[Union[Reading, Missed]]]"
    result = bound(function, method, "Observation[Union[Reading, Missed]]")
    return result


class Client:
    """A client of the daemon. `with Client() as client:` closes it; so does the end of the program.

    `path`: the socket, else $SETTLED_SOCKET, else the user's own, else the system's. `name`: what the daemon calls this client.
    `timeout_s`: for calls that name none; without it they wait as long as it takes.

    Threads may share a client: each waits for its own answer, none waits for another's. They share its leases, too. Once the
    connection has ended, the call that was under way raises ConnectionLostError, and the next one connects anew.
    """

    def __init__(
        self, path: Optional[str] = None, *, name: Optional[str] = None, timeout_s: Optional[float] = None
    ) -> None:
        self._path, self._name, self._timeout_s = path, name, timeout_s
        self._leases = Leases()
        self._opening = threading.Lock()
        self._connection: Optional[Connection] = None
        self._forgotten: Optional[weakref.finalize[Any, Client]] = None
        self._is_closed = False
        self._hello: Optional[Hello] = None
        self._connected()

    def _connected(self) -> Connection:
        with self._opening:
            if self._is_closed:
                raise errors.ConnectionLostError("this client was closed: make another one")
            if self._connection is None or self._connection.has_ended:
                connection = Connection(candidates(self._path))
                try:
                    self._hello = connection.carry_out(methods.hello(self._name, timeout_s=PATIENCE_S), {})
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
        call = call.within(self._timeout_s)
        more = self._leases.params(call)
        return self._connected().carry_out(call, more)

    def _every(self, pages: Pages[R]) -> Iterator[R]:
        while not pages.is_over:
            yield from self.carry_out(pages.call)

    hello = _waits(methods.hello)
    status = _waits(methods.status)
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
    stage_show = _waits(methods.stage_show)
    take_lease = _waits(methods.take_lease)

    observe = _follows(methods.observe)

    def observe_meters(self) -> "Observation[Union[Meter, Missed]]":
        """Meters as they come, go, fail and recover."""
        return Observation(Meters(self._name, self._leases), candidates(self._path))

    @contextmanager
    def lease(
        self, meter: str, *, ttl_s: Optional[float] = None, wait_s: Optional[float] = None, purpose: Optional[str] = None
    ) -> Iterator[Lease]:
        """Exclusive use of a meter: `with client.lease("bench", purpose="chart"):`. Everything inside carries its token.

        It is renewed in the background and given back at the end. `ttl_s`: how long it outlives a program that hangs, 60 if left
        out. `wait_s`: how long to wait for it in turn, 60 if left out; 0: now or not at all. Once it is lost, calls inside raise LeaseLostError, and so does the end of the block. Where this client has a lease on the meter
        already, from SETTLED_LEASE or around this one, that one counts.
        """
        outer = self._leases.on(meter)
        if outer is not None:
            yield outer
            return
        granted = self.take_lease(meter, ttl_s=ttl_s, wait_s=wait_s, purpose=purpose)
        lease = Lease(meter, granted.lease, granted.ttl_s)
        self._leases.add(lease)
        over = threading.Event()
        renewer = threading.Thread(target=self._renew, args=(lease, over), name="settled-lease", daemon=True)
        renewer.start()
        try:
            yield lease
        finally:
            over.set()
            renewer.join()
            self._leases.remove(lease)
            try:
                self.carry_out(lease.release())
            except errors.SettledError as error:
                lease.lose(error)
        lease.check()

    def _renew(self, lease: Lease, over: threading.Event) -> None:
        while not lease.is_lost and not over.wait(lease.renew_in_s(self._speed)):
            try:
                self.carry_out(lease.renewal(self._speed))
            except errors.SettledError as error:
                lease.lose(error)

    @property
    def _speed(self) -> float:
        return 1.0 if self._hello is None else self._hello.clock.speed

    def close(self) -> None:
        """Ends the connection. Observations have their own, and go on."""
        with self._opening:
            self._is_closed = True
            if self._connection is not None:
                self._connection.close()

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *raised: Any) -> None:
        self.close()
