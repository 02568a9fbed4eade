"""Processes that were forked: what the parent opened stays the parent's, and nothing of it is used in the child.

A socket that both have would mix up their answers, and keep a lease of a parent that was killed.
"""

from __future__ import annotations

import os
import socket
import weakref

from .errors import ForkedError

_OPEN: "weakref.WeakSet[socket.socket]" = weakref.WeakSet()


def not_inherited(opened: socket.socket) -> None:
    """From now on a child closes it as soon as it is forked, and says nothing on it."""
    _OPEN.add(opened)


def _in_child() -> None:
    for inherited in list(_OPEN):
        try:
            inherited.close()
        except OSError:
            pass
    _OPEN.clear()


os.register_at_fork(after_in_child=_in_child)


class Process:
    """The process that something was made in."""

    def __init__(self) -> None:
        self._id = os.getpid()

    @property
    def is_this(self) -> bool:
        """Whether it is this one, and not one that was forked from it."""
        return os.getpid() == self._id

    def check(self, what: str) -> None:
        """Raises ForkedError in any other process. Take no lock before: a thread of the parent's may have had it."""
        if not self.is_this:
            raise ForkedError(f"this {what} was made before the fork: make one in each process")
