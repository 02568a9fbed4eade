"""One connection that tasks share."""

from __future__ import annotations

import asyncio
import copy
import socket
import time
from typing import Any, List, Mapping, Optional, Tuple, TypeVar

from . import errors
from .call import Call
from .conversation import Conversation, room
from .fork import not_inherited
from .lease import AT_ONCE
from .link import CHUNK, PATIENCE_S, no_daemon

T = TypeVar("T")


async def link(paths: List[str]) -> Tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connects to the first that answers. Raises NoDaemonError if none does."""
    failure = OSError("there is no path")
    for path in paths:
        opened = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        not_inherited(opened)
        try:
            opened.setblocking(False)
            await asyncio.wait_for(asyncio.get_running_loop().sock_connect(opened, path), PATIENCE_S)
            return await asyncio.open_unix_connection(sock=opened, limit=CHUNK)
        except asyncio.TimeoutError:
            opened.close()
            failure = OSError("it takes nothing in")
        except OSError as error:
            opened.close()
            failure = error
        except BaseException:
            opened.close()
            raise
    raise no_daemon(paths, failure) from failure


class Connection:
    """One connection, with a task that reads it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._conversation = Conversation()
        self._room = asyncio.Semaphore(room({}))
        self._ended: Optional[errors.SettledError] = None
        self._task = asyncio.get_running_loop().create_task(self._read())

    @property
    def has_ended(self) -> bool:
        """Whether nothing can be asked any more."""
        return self._ended is not None

    def limits(self, limits: Mapping[str, Any]) -> None:
        """What the daemon said of its limits, before others know of this connection."""
        self._room = asyncio.Semaphore(room(limits))

    async def carry_out(self, call: Call[T], more: Mapping[str, Any]) -> T:
        """Asks, and waits for the answer; whatever ends the wait before takes the request back.

        Of more than the daemon lets wait at once, the rest waits here.
        """
        deadline = None if call.timeout_s is None else time.monotonic() + call.timeout_s
        if call.method in AT_ONCE:
            return await self._ask(call, more, deadline)
        try:
            await asyncio.wait_for(self._room.acquire(), call.timeout_s)
        except asyncio.TimeoutError:
            message = f"{call.method} found no room beside others of this client within {call.timeout_s} s"
            raise errors.TimedOutError(message) from None
        try:
            return await self._ask(call, more, deadline)
        finally:
            self._room.release()

    async def _ask(self, call: Call[T], more: Mapping[str, Any], deadline: Optional[float]) -> T:
        if self._ended is not None:
            raise copy.copy(self._ended)
        pending, line = self._conversation.ask(call, more)
        news = asyncio.Event()
        pending.waker = news.set
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
        """Ends it; who still waits gets ClosedError."""
        self._end(errors.ClosedError("the client was closed while this waited"))
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
