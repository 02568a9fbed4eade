"""A program ends when it ends, whatever it holds; and a process that was forked keeps its hands off its parent's."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from typing import Any

import settled

from .daemon import PATIENCE_S, DaemonTest, wait_until
from .test_readme import FOLDER

#: Programs that end while they hold a lease.
HOLDING = {
    "in a stack": """
        import contextlib, settled
        stack = contextlib.ExitStack()
        client = stack.enter_context(settled.Client())
        stack.enter_context(client.lease("bench"))
        """,
    "in a generator": """
        import settled
        def held():
            with settled.Client() as client, client.lease("bench"), client.observe("bench") as observation:
                yield client, observation
        holding = held()
        client, observation = next(holding)
        """,
    "entered by hand": """
        import sys, settled
        client = settled.Client()
        lease = client.lease("bench")
        lease.__enter__()
        client.read("bench")
        sys.exit(0)
        """,
    "released as the program ends": """
        import atexit, contextlib, settled
        stack = contextlib.ExitStack()
        atexit.register(stack.close)
        client = stack.enter_context(settled.Client())
        stack.enter_context(client.lease("bench"))
        """,
}

#: What a child does with what its parent made: each of these must be an error that says so.
CHILD = """
    import os, sys, asyncio, settled
    from settled import aio
    parent = settled.Client()
    observation = parent.observe("bench")

    async def in_tasks():
        async with aio.Client() as client:
            await client.meters()
            if os.fork() == 0:
                await_nothing = client.read("bench")
                try:
                    await_nothing.send(None)
                except settled.ForkedError:
                    os._exit(0)
                os._exit(5)
            pid, status = os.wait()
            assert status == 0, status
            await client.read("bench")

    with parent.lease("bench") as lease:
        if os.fork() == 0:
            for ask in (lambda: parent.read("bench"), lambda: parent.observe("bench"), observation.next, parent.meters):
                try:
                    ask()
                    os._exit(3)
                except settled.ForkedError as error:
                    assert "before the fork: make one in each process" in error.message
            own = settled.Client()
            assert own.meters()[0].lease.pid == os.getppid()
            own.close()
            # With all that Python does at the end: blocks are left, clients forgotten.
            sys.exit(0)
        pid, status = os.wait()
        assert status == 0, status
        lease.check()
        reading = parent.read("bench")
        assert observation.next(20) == reading
    parent.read("bench")
    asyncio.run(in_tasks())
    print("untouched")
    """

#: A child that lives on when its parent is killed.
ORPHAN = """
    import os, signal, sys, time, settled
    client = settled.Client()
    observation = client.observe("bench")
    with client.lease("bench", ttl_s=3000):
        child = os.fork()
        if child == 0:
            signal.pause()
        print(child, flush=True)
        signal.pause()
    """


class Programs(DaemonTest):
    def start(self, program: str) -> "subprocess.Popen[str]":
        # A test of threads and forks: 3.12 and later warn of having both, which is what is tried here.
        environment = {**os.environ, "SETTLED_SOCKET": self.daemon.socket, "PYTHONPATH": str(FOLDER), "PYTHONWARNINGS": "ignore"}
        command = [sys.executable, "-B", "-c", textwrap.dedent(program)]
        process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(self.end, process)
        return process

    @staticmethod
    def end(process: Any) -> None:
        process.kill()
        process.communicate()

    def holder(self) -> Any:
        with settled.Client(self.daemon.socket) as other:
            return other.meters()[0].lease

    def test_a_program_that_holds_a_lease_ends_at_once_and_quietly_and_frees_the_meter(self) -> None:
        for what, program in HOLDING.items():
            with self.subTest(what):
                process = self.start(program)
                said, complaints = process.communicate(timeout=PATIENCE_S)
                self.assertEqual((process.returncode, said, complaints), (0, "", ""))
                wait_until("the meter is free", lambda: self.holder() is None)

    def test_a_forked_child_is_told_so_and_its_parent_keeps_what_it_has(self) -> None:
        process = self.start(CHILD)
        said, complaints = process.communicate(timeout=PATIENCE_S)
        self.assertEqual((process.returncode, said, complaints), (0, "untouched\n", ""))

    def test_a_parent_that_is_killed_has_no_lease_through_its_child(self) -> None:
        process = self.start(ORPHAN)
        assert process.stdout is not None
        child = int(process.stdout.readline())
        self.addCleanup(os.kill, child, signal.SIGKILL)
        self.assertIsNotNone(self.holder())
        process.kill()
        process.wait(PATIENCE_S)
        wait_until("the meter is free", lambda: self.holder() is None)
        os.kill(child, 0)
