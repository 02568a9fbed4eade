"""A Unix socket that waits: bytes out, bytes in, with deadlines."""

from __future__ import annotations

import errno
import socket
import struct
from typing import List, Optional

from .errors import ConnectionLostError, NoDaemonError
from .fork import not_inherited

#: How long the daemon may take to answer its first question, and to take bytes in. It does either at once, or is stopped.
PATIENCE_S = 10.0

#: Bytes taken in at once.
CHUNK = 64 * 1024


def no_daemon(tried: List[str], error: OSError) -> NoDaemonError:
    """Nobody answers at any of these paths."""
    if error.errno in (errno.EACCES, errno.EPERM):
        return NoDaemonError(f"this user may not connect to {tried[-1]}: ask whoever runs the daemon to be let in")
    return NoDaemonError(
        f"no daemon answers at {' or '.join(tried)} ({error.strerror or error}): start one with `settled --config FILE`, "
        "or name its socket: Client(path), or SETTLED_SOCKET in the environment"
    )


class Link:
    """A connected socket."""

    def __init__(self, candidates: List[str]) -> None:
        """Connects to the first that answers. Raises NoDaemonError if none does."""
        for index, path in enumerate(candidates):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            not_inherited(self._socket)
            try:
                self._socket.settimeout(PATIENCE_S)
                self._socket.connect(path)
                break
            except OSError as error:
                self._socket.close()
                if index + 1 == len(candidates):
                    raise no_daemon(candidates, error) from error
            except BaseException:
                self._socket.close()
                raise
        self._socket.settimeout(None)
        whole = int(PATIENCE_S)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("ll", whole, 0))

    def send(self, data: bytes) -> None:
        """Sends all of it. Raises ConnectionLostError if that can't be done: the daemon is gone, or takes nothing in."""
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise ConnectionLostError(f"the daemon takes nothing in: {error.strerror or error}") from error

    def receive(self, timeout_s: Optional[float] = None) -> bytes:
        """What has come; nothing once the daemon has closed. Raises TimeoutError where nothing comes in time."""
        try:
            # Each wait has its own: one that was nearly over must not make those after it short, too.
            self._socket.settimeout(None if timeout_s is None else max(timeout_s, 0.001))
            return self._socket.recv(CHUNK)
        except socket.timeout:
            raise TimeoutError from None
        except OSError:
            return b""

    def close(self) -> None:
        """Ends it; whoever waits in `receive` gets nothing."""
        try:
            self._socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass
        self._socket.close()
