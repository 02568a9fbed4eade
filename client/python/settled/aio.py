"""The client for asyncio. Same methods, same words, same errors as `settled.Client`; cancelling a task takes its request back."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import (
    TYPE_CHECKING,
    Any,
    AsyncIterator,
    Callable,
    Coroutine,
    Dict,
    Generic,
    List,
    Optional,
    Tuple,
    TypeVar,
    Union,
)

from . import errors, methods
from .aio_connection import Connection, link
from .bound import bound, checked
from .call import Call
from .following import Following, Meters, Missed, Readings, Runs
from .fork import Process
from .lease import Lease, Leases
from .link import CHUNK, PATIENCE_S
from .log import Pages
from .log_methods import RunNumber
from .meter import Hello, Meter, MeterId
from .place import Path, candidates
from .plain import plain
from .reading import Reading
from .record import Record
from .run import RunChanged
from .settling import Progress, Settled

if TYPE_CHECKING:
    from typing_extensions import Concatenate, ParamSpec

    P = ParamSpec("P")

T = TypeVar("T")
R = TypeVar("R", bound=Record)


def _awaits(function: "Callable[P, Call[T]]") -> "Callable[Concatenate[Client, P], Coroutine[Any, Any, T]]":
    fitting = checked(function)

    async def method(self: "Client", *arguments: Any, **named: Any) -> T:
        return await self.carry_out(fitting(*arguments, **named))

    result: "Callable[Concatenate[Client, P], Coroutine[Any, Any, T]]" = bound(function, method)
    return result


def _pages(function: "Callable[P, Pages[R]]") -> "Callable[Concatenate[Client, P], AsyncIterator[R]]":
    fitting = checked(function)

    def method(self: "Client", *arguments: Any, **named: Any) -> AsyncIterator[R]:
        return Rows(self, fitting(*arguments, **named))

    result: "Callable[Concatenate[Client, P], AsyncIterator[R]]" = bound(function, method, "AsyncIterator[{}]")
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


class Observation(Generic[T]):
    """What a subscription yields: `async for item in observation`. One task at a time.

    It has a connection of its own and reads from it only when its own items are used up. A reader that is slow for long is told
    what it missed, and costs neither memory here nor anybody else's time.
    """

    def __init__(self, following: Following[T], paths: List[str]) -> None:
        self._following, self._paths = following, paths
        self._process = Process()
        self._link: Optional[Tuple[asyncio.StreamReader, asyncio.StreamWriter]] = None
        self._pause_s = 0.0
        self._is_closed = False

    async def _go_on(self) -> None:
        try:
            if self._link is None:
                pause_s, self._pause_s = self._pause_s, 0.0
                await asyncio.sleep(pause_s)
                self._link = await link(self._paths)
                self._link[1].write(self._following.begin())
            reader, writer = self._link
            answer = self._following.heard(await self._receive(reader))
            if answer:
                writer.write(answer)
        except (errors.SettledError, OSError) as error:
            self._drop()
            told = error if isinstance(error, errors.SettledError) else errors.ConnectionLostError(str(error))
            self._pause_s = self._following.failed(told)

    async def _receive(self, reader: asyncio.StreamReader) -> bytes:
        if self._following.is_established:
            return await reader.read(CHUNK)
        try:
            return await asyncio.wait_for(reader.read(CHUNK), PATIENCE_S)
        except asyncio.TimeoutError:
            raise errors.ConnectionLostError(f"the daemon said nothing within {PATIENCE_S} s") from None

    def _drop(self) -> None:
        if self._link is not None:
            self._link[1].close()
            self._link = None

    async def close(self) -> None:
        """Ends the subscription."""
        self._is_closed = True
        self._drop()

    def __repr__(self) -> str:
        return f"<Observation of {self._following}, {'closed' if self._is_closed else 'open'}>"

    def __aiter__(self) -> AsyncIterator[T]:
        return self

    async def __anext__(self) -> T:
        self._process.check("observation")
        while not self._is_closed:
            item = self._following.take()
            if item is not None:
                return item
            await self._go_on()
        raise StopAsyncIteration

    async def __aenter__(self) -> "Observation[T]":
        """Subscribes now, and not only when the first item is asked for."""
        while not self._following.is_established:
            await self._go_on()
        return self

    async def __aexit__(self, *raised: Any) -> None:
        await self.close()


class Rows(Generic[R]):
    """Records that are fetched a page at a time while they are iterated over."""

    def __init__(self, client: "Client", pages: Pages[R]) -> None:
        self._pages, self._rows = pages, client._every(pages)

    def __aiter__(self) -> AsyncIterator[R]:
        return self._rows

    async def __anext__(self) -> R:
        return await self._rows.__anext__()

    def __repr__(self) -> str:
        return repr(self._pages)


class Client:
    """A client of the daemon for asyncio: `async with Client() as client:`. Takes what `settled.Client` takes.

    Any number of tasks of one loop may share it; they share its leases, too. Once the connection has ended, the call that was
    under way raises ConnectionLostError, and the next one connects anew.
    """

    def __init__(
        self, path: Optional[Path] = None, *, name: Optional[str] = None, timeout_s: Optional[float] = None
    ) -> None:
        self._path, self._name, self._timeout_s = path, name, timeout_s
        self._leases, self._process = Leases(), Process()
        self._connection: Optional[Connection] = None
        self._opening: Optional[asyncio.Lock] = None
        self._is_closed = False
        self._hello: Optional[Hello] = None

    def _check(self) -> None:
        """Raises where nothing can be asked any more."""
        self._process.check("client")
        if self._is_closed:
            raise errors.ClosedError("this client was closed: make another one")

    async def _connected(self) -> Connection:
        # Made in a running loop: before Python 3.10 a lock belongs to the loop it was made in.
        self._opening = self._opening or asyncio.Lock()
        async with self._opening:
            self._check()
            if self._connection is None or self._connection.has_ended:
                connection = Connection(*await link(candidates(self._path)))
                try:
                    self._hello = await connection.carry_out(methods.hello(self._name, timeout_s=PATIENCE_S), {})
                    connection.limits(self._hello.limits)
                except BaseException:
                    await connection.close()
                    raise
                self._connection = connection
            return self._connection

    async def carry_out(self, call: Call[T]) -> T:
        """Carries any call out. The methods below are calls of `settled.methods`, carried out."""
        self._check()
        call = call.within(self._timeout_s)
        attempt = self._leases.attempt(call)
        while True:
            try:
                return await (await self._connected()).carry_out(call, attempt.params)
            except errors.SettledError as error:
                attempt.failed(error)

    def _following(self, following: Following[T]) -> Observation[T]:
        self._check()
        return Observation(following, candidates(self._path))

    async def _every(self, pages: Pages[R]) -> AsyncIterator[R]:
        while not pages.is_over:
            for record in await self.carry_out(pages.call):
                yield record

    hello = _awaits(methods.hello)
    status = _awaits(methods.status)
    page_address = _awaits(methods.page_address)
    meters = _awaits(methods.meters)
    read = _awaits(methods.read)
    settle = _awaits(methods.settle)
    zero = _awaits(methods.zero)
    correct = _awaits(methods.correct)
    add_correction = _awaits(methods.add_correction)
    remove_correction = _awaits(methods.remove_correction)
    corrections = _pages(methods.corrections)
    log_readings = _pages(methods.log_readings)
    log_events = _pages(methods.log_events)
    log_bins = _pages(methods.log_bins)
    log_statistics = _awaits(methods.log_statistics)
    log_compare = _awaits(methods.log_compare)
    log_backup = _awaits(methods.log_backup)
    log_check = _awaits(methods.log_check)
    start_run = _awaits(methods.start_run)
    runs = _pages(methods.runs)
    run = _awaits(methods.run)
    stop_run = _awaits(methods.stop_run)
    stage_show = _awaits(methods.stage_show)
    observe = _follows(methods.observe)

    def observe_meters(self) -> Observation[Union[Meter, Missed]]:
        """Meters as they come, go, fail and recover."""
        return self._following(Meters(self._name, self._leases))

    def observe_runs(self, run: Optional[RunNumber] = None) -> Observation[Union[RunChanged, Missed]]:
        """How a run gets on, or all that are not over: RunChanged, with the alert that is news. It outlives the daemon, as runs do.

        It begins with each as it is now. It never ends by itself: look at `change.run.is_over`.
        """
        return self._following(Runs(self._name, self._leases, methods.observe_runs(run)))

    async def settling(self, meter: MeterId, **options: Any) -> AsyncIterator[Union[Progress, Settled]]:
        """`settle`, as an iterator: Progress now and then, the latest alone, and Settled at the end. Takes what `settle` takes."""
        latest: List[Progress] = []
        news = asyncio.Event()

        def progress(report: Progress) -> None:
            latest[:] = [report]
            news.set()

        task = asyncio.ensure_future(self.carry_out(methods.settle(meter, progress=progress, **options)))
        task.add_done_callback(lambda _: news.set())
        try:
            while not task.done():
                await news.wait()
                news.clear()
                while latest:
                    yield latest.pop()
            yield task.result()
        finally:
            task.cancel()

    @asynccontextmanager
    async def lease(
        self, meter: MeterId, *, ttl_s: Optional[float] = None, wait_s: Optional[float] = None, purpose: Optional[str] = None
    ) -> AsyncIterator[Lease]:
        """Exclusive use of a meter: `async with client.lease("bench", purpose="chart"):`, as `settled.Client.lease`."""
        self._check()
        outer = self._leases.on(plain(meter, "meter"))
        if outer is not None:
            yield outer
            return
        taking = methods.take_lease(meter, ttl_s=ttl_s, wait_s=wait_s, purpose=purpose).within(self._timeout_s)
        connection = await self._connected()
        granted = await connection.carry_out(taking, {})
        lease = Lease(granted.meter, granted.lease, granted.ttl_s)
        self._leases.add(lease)
        renewer = asyncio.ensure_future(_renew(connection, lease, self._speed))
        try:
            yield lease
        finally:
            renewer.cancel()
            self._leases.remove(lease)
            # On no other connection: the end of the one that took it frees the meter.
            if self._process.is_this:
                try:
                    await connection.carry_out(lease.release(), {})
                except errors.ClosedError:
                    # Whoever closed the client has given it back.
                    pass
                except errors.SettledError as error:
                    lease.lose(error)
        lease.check()

    @property
    def _speed(self) -> float:
        return 1.0 if self._hello is None else self._hello.clock.speed

    async def close(self) -> None:
        """Ends the connection. Observations have their own, and go on."""
        self._is_closed = True
        if self._connection is not None and self._process.is_this:
            await self._connection.close()

    async def __aenter__(self) -> "Client":
        await self._connected()
        return self

    async def __aexit__(self, *raised: Any) -> None:
        await self.close()

    def __repr__(self) -> str:
        name = "" if self._name is None else f", {self._name}"
        return f"<settled.aio.Client at {' or '.join(candidates(self._path))}{name}, {'closed' if self._is_closed else 'open'}>"


async def _renew(connection: Connection, lease: Lease, speed: float) -> None:
    while not lease.is_lost:
        await asyncio.sleep(lease.renew_in_s(speed))
        try:
            await connection.carry_out(lease.renewal(speed), {})
        except errors.ClosedError:
            return
        except errors.SettledError as error:
            lease.lose(error)
