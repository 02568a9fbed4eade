"""The real daemon as a process of its own, with a simulated meter and a folder of its own."""

from __future__ import annotations

import os
import pathlib
import signal
import subprocess
import tempfile
import time
import unittest
from typing import Any, Callable, List, Optional

import settled

#: The daemon's program. The tests don't go on without it: nothing here is tested against anything else.
PROGRAM = os.path.abspath(os.environ.get("SETTLED_PROGRAM", ""))
if not (os.path.isfile(PROGRAM) and os.access(PROGRAM, os.X_OK)):
    raise RuntimeError(f"SETTLED_PROGRAM must name the daemon's program, target/debug/settled say; it is {PROGRAM!r}")

#: How long anything may take that has no limit of its own. A hang fails instead of hanging.
PATIENCE_S = 20.0

CONFIG = """
[log]
path = "log.sqlite"
[[meter]]
id = "bench"
driver = "simulated"
display = "self-emitting"
integration_s = [0.02, 2]
automatic_s = 0.05
zero_at_start = false
"""

#: Criteria that simulated light meets within a few seconds.
EASY: Any = {"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1}


def wait_until(what: str, condition: Callable[[], bool]) -> None:
    """Looks again every few milliseconds, until it holds."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited in vain until {what}")
        time.sleep(0.005)


class Daemon:
    """A daemon under test."""

    def __init__(self, config: str = CONFIG) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="settled-")
        self.folder = pathlib.Path(self._folder.name)
        self.socket = str(self.folder / "socket")
        (self.folder / "settled.toml").write_text(config)
        self.process: Optional[subprocess.Popen[bytes]] = None
        self.start()

    def start(self) -> None:
        """Starts it, and waits until its meters are ready."""
        config = str(self.folder / "settled.toml")
        with open(self.folder / "trace", "ab") as trace:
            command = [PROGRAM, "--config", config, "--socket", self.socket]
            self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=trace, stderr=trace)
        wait_until("the daemon answers", self._is_ready)

    def _is_ready(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            raise AssertionError(f"the daemon ended:\n{self.trace()}")
        try:
            with settled.Client(self.socket) as client:
                return all(meter.state in ("ready", "warming") for meter in client.meters())
        except settled.NoDaemonError:
            return False

    def trace(self) -> str:
        """What it has said."""
        return (self.folder / "trace").read_text(errors="replace")

    def signal(self, number: int) -> None:
        """Sends it a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """Ends it without a warning."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(PATIENCE_S)

    def restart(self) -> None:
        """Kills it and starts another on the same log and socket."""
        self.kill()
        self.start()

    def end(self) -> None:
        """Ends it, and its folder."""
        self.kill()
        self._folder.cleanup()


class DaemonTest(unittest.TestCase):
    """A test with a daemon of its own, which is killed at the end."""

    config = CONFIG

    def setUp(self) -> None:
        self.daemon = Daemon(self.config)
        self.addCleanup(self.daemon.end)

    def client(self, **options: Any) -> settled.Client:
        """A client that is closed at the end."""
        client = settled.Client(self.daemon.socket, **options)
        self.addCleanup(client.close)
        return client


def sequences(items: List[Any]) -> List[int]:
    """Those of the readings among them."""
    return [item.sequence for item in items if isinstance(item, settled.Reading)]
