"""The client for asyncio. Same methods, same words, same errors as `settled.Client`; cancelling a task takes its request back."""

from __future__ import annotations

import asyncio
import copy
import time
from contextlib import asynccontextmanager
from typing import (
    TYPE_CHECKING,
    Any,
    AsyncIterator,
    Awaitable,
    Callable,
    Dict,
    Generic,
    List,
    Mapping,
    Optional,
    Tuple,
    TypeVar,
    Union,
)

from . import errors, methods
from .bound import bound
from .call import Call
from .conversation import Conversation
from .following import Following, Meters, Missed, Readings
from .lease import Lease, Leases
from .link import CHUNK, PATIENCE_S, no_daemon
from .log import Pages
from .meter import Hello, Meter
from .place import candidates
from .reading import Reading
from .record import Record
from .settling import Progress, Settled

if TYPE_CHECKING:
    from typing_extensions import Concatenate, ParamSpec

    P = ParamSpec("P")

T = TypeVar("T")
R = TypeVar("R", bound=Record)


def _awaits(function: "Callable[P, Call[T]]") -> "Callable[Concatenate[Client, P], Awaitable[T]]":
    async def method(self: "Client", *arguments: Any, **named: Any) -> T:
        return await self.carry_out(function(*arguments, **named))

    result: "Callable[Concatenate[Client, P], Awaitable[T]]" = bound(function, method)
    return result


def _pages(function: "Callable[P, Pages[R]]") -> "Callable[Concatenate[Client, P], AsyncIterator[R]]":
    def method(self: "Client", *arguments: Any, **named: Any) -> AsyncIterator[R]:
        return self._every(function(*arguments, **named))

    result: "Callable[Concatenate[Client, P], AsyncIterator[R]]" = bound(function, method, "AsyncIterator[{}]")
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


async def _link(paths: List[str]) -> Tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    failure = OSError("there is no path")
    for path in paths:
        try:
            return await asyncio.wait_for(asyncio.open_unix_connection(path, limit=CHUNK), PATIENCE_S)
        except asyncio.TimeoutError:
            failure = OSError("it takes nothing in")
        except OSError as error:
            failure = error
    raise no_daemon(paths, failure) from failure


class Connection:
    """One connection, with a task that reads it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._conversation = Conversation()
        self._ended: Optional[errors.SettledError] = None
        self._task = asyncio.get_running_loop().create_task(self._read())

    @property
    def has_ended(self) -> bool:
        """Whether nothing can be asked any more."""
        return self._ended is not None

    async def carry_out(self, call: Call[T], more: Mapping[str, Any]) -> T:
        """Asks, and waits for the answer; whatever ends the wait before takes the request back."""
        if self._ended is not None:
            raise copy.copy(self._ended)
        pending, line = self._conversation.ask(call, more)
        news = asyncio.Event()
        pending.waker = news.set
        deadline = None if call.timeout_s is None else time.monotonic() + call.timeout_s
        self._writer.write(line)
        try:
            while not pending.is_over:
                left = None if deadline is None else max(deadline - time.monotonic(), 0.0)
                try:
                    await asyncio.wait_for(news.wait(), left)
                except asyncio.TimeoutError:
                    raise errors.TimedOutError(f"{call.method} gave no answer within {call.timeout_s} s") from None
                news.clear()
                progress = pending.take_progress()
                if progress is not None and call.progress is not None:
                    call.progress(progress)
            return pending.result()
        finally:
            back = self._conversation.take_back(pending)
            if back and self._ended is None:
                self._writer.write(back)

    async def _read(self) -> None:
        error: errors.SettledError = errors.ConnectionLostError("the daemon closed the connection before it answered")
        try:
            while self._ended is None:
                data = await self._reader.read(CHUNK)
                if not data:
                    break
                self._conversation.heard(data)
        except errors.SettledError as broken:
            error = broken
        except OSError:
            pass
        finally:
            self._end(error)

    def _end(self, error: errors.SettledError) -> None:
        self._ended = self._ended or error
        self._conversation.over(self._ended)
        self._writer.close()

    async def close(self) -> None:
        """Ends it; who still waits gets ConnectionLostError."""
        self._end(errors.ConnectionLostError("the client was closed"))
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


class Observation(Generic[T]):
    """What a subscription yields: `async for item in observation`. One task at a time.

    It has a connection of its own and reads from it only when its own items are used up. A reader that is slow for long is told
    what it missed, and costs neither memory here nor anybody else's time.
    """

    def __init__(self, following: Following[T], paths: List[str]) -> None:
        self._following, self._paths = following, paths
        self._link: Optional[Tuple[asyncio.StreamReader, asyncio.StreamWriter]] = None
        self._pause_s = 0.0
        self._is_closed = False

    async def _go_on(self) -> None:
        try:
            if self._link is None:
                pause_s, self._pause_s = self._pause_s, 0.0
                await asyncio.sleep(pause_s)
                self._link = await _link(self._paths)
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

    def __aiter__(self) -> AsyncIterator[T]:
        return self

    async def __anext__(self) -> T:
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


class Client:
    """A client of the daemon for asyncio: `async with Client() as client:`. Takes what `settled.Client` takes.

    Any number of tasks of one loop may share it; they share its leases, too. Once the connection has ended, the call that was
    under way raises ConnectionLostError, and the next one connects anew.
    """

    def __init__(
        self, path: Optional[str] = None, *, name: Optional[str] = None, timeout_s: Optional[float] = None
    ) -> None:
        self._path, self._name, self._timeout_s = path, name, timeout_s
        self._leases = Leases()
        self._connection: Optional[Connection] = None
        self._opening: Optional[asyncio.Lock] = None
        self._is_closed = False
        self._hello: Optional[Hello] = None

    async def _connected(self) -> Connection:
        # Made in a running loop: before Python 3.10 a lock belongs to the loop it was made in.
        self._opening = self._opening or asyncio.Lock()
        async with self._opening:
            if self._is_closed:
                raise errors.ConnectionLostError("this client was closed: make another one")
            if self._connection is None or self._connection.has_ended:
                connection = Connection(*await _link(candidates(self._path)))
                try:
                    self._hello = await connection.carry_out(methods.hello(self._name, timeout_s=PATIENCE_S), {})
                except BaseException:
                    await connection.close()
                    raise
                self._connection = connection
            return self._connection

    async def carry_out(self, call: Call[T]) -> T:
        """Carries any call out. The methods below are calls of `settled.methods`, carried out."""
        call = call.within(self._timeout_s)
        more = self._leases.params(call)
        connection = await self._connected()
        return await connection.carry_out(call, more)

    async def _every(self, pages: Pages[R]) -> AsyncIterator[R]:
        while not pages.is_over:
            for record in await self.carry_out(pages.call):
                yield record

    hello = _awaits(methods.hello)
    status = _awaits(methods.status)
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
    stage_show = _awaits(methods.stage_show)
    take_lease = _awaits(methods.take_lease)
    observe = _follows(methods.observe)

    def observe_meters(self) -> Observation[Union[Meter, Missed]]:
        """Meters as they come, go, fail and recover."""
        return Observation(Meters(self._name, self._leases), candidates(self._path))

    async def settling(self, meter: str, **options: Any) -> AsyncIterator[Union[Progress, Settled]]:
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
        self, meter: str, *, ttl_s: Optional[float] = None, wait_s: Optional[float] = None, purpose: Optional[str] = None
    ) -> AsyncIterator[Lease]:
        """Exclusive use of a meter: `async with client.lease("bench", purpose="chart"):`, as `settled.Client.lease`."""
        outer = self._leases.on(meter)
        if outer is not None:
            yield outer
            return
        granted = await self.take_lease(meter, ttl_s=ttl_s, wait_s=wait_s, purpose=purpose)
        lease = Lease(meter, granted.lease, granted.ttl_s)
        self._leases.add(lease)
        renewer = asyncio.ensure_future(self._renew(lease))
        try:
            yield lease
        finally:
            renewer.cancel()
            self._leases.remove(lease)
            try:
                await self.carry_out(lease.release())
            except errors.SettledError as error:
                lease.lose(error)
        lease.check()

    async def _renew(self, lease: Lease) -> None:
        while not lease.is_lost:
            await asyncio.sleep(lease.renew_in_s(self._speed))
            try:
                await self.carry_out(lease.renewal(self._speed))
            except errors.SettledError as error:
                lease.lose(error)

    @property
    def _speed(self) -> float:
        return 1.0 if self._hello is None else self._hello.clock.speed

    async def close(self) -> None:
        """Ends the connection. Observations have their own, and go on."""
        self._is_closed = True
        if self._connection is not None:
            await self._connection.close()

    async def __aenter__(self) -> "Client":
        await self._connected()
        return self

    async def __aexit__(self, *raised: Any) -> None:
        await self.close()
