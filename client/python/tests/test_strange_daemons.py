"""Whatever answers at the socket: a clear error and no hang."""

from __future__ import annotations

import asyncio
import json
import pathlib
import random
import socket
import tempfile
import threading
import unittest
from typing import Any, Callable, List

import settled
from settled import aio, conversation
from settled.following import Meters
from settled.lease import Leases
from settled.link import Link

from .daemon import PATIENCE_S

HELLO = {"protocol": 1, "daemon": "d", "instance": "i", "clock": {"kind": "system", "speed": 1}, "limits": {}}

READING = {
    "sequence": 7,
    "meter": "bench",
    "at": "2026-11-27T10:00:00.123456789Z",
    "t_s": 2.5,
    "began_s": 2,
    "boot": "b",
    "luminance_cd_m2": 90,
    "flags": [],
}

#: Answers to a reading that aren't any, and what they are called. `ID` is replaced by the request's.
NONSENSE = [
    b"\n\n\x00\xff\xfe\n",
    b"HTTP/1.1 400 Bad Request\r\n\r\n",
    b"[]\n",
    b"[" * 100_000 + b"\n",
    b'{"jsonrpc":"2.0"}\n',
    b'{"jsonrpc":"2.0","id":"7","result":{}}\n',
    b'{"jsonrpc":"2.0","id":true,"result":{}}\n',
    b'{"jsonrpc":"2.0","id":99,"result":{}}\n',
    b'{"jsonrpc":"2.0","id":ID}\n',
    b'{"jsonrpc":"2.0","id":ID,"result":{},"error":{}}\n',
    b'{"jsonrpc":"2.0","id":ID,"result":NaN}\n',
    b'{"jsonrpc":"2.0","id":ID,"result":null}\n',
    b'{"jsonrpc":"2.0","id":ID,"result":[]}\n',
    b'{"jsonrpc":"2.0","id":ID,"result":{"sequence":"seven"}}\n',
    b'{"jsonrpc":"2.0","method":"reading"}\n',
    b"x" * (conversation.LONGEST_ANSWER + 1),
]


#: At the end of an answer: hangs up once it is sent.
HANG_UP = b"HANG UP"


class Fake:
    """Answers `hello`, and then each line with what `answer` makes of it; ends where that is None, or ends with HANG_UP."""

    def __init__(self, test: unittest.TestCase, answer: Callable[[Any], Any], greets: bool = True) -> None:
        folder = tempfile.TemporaryDirectory(prefix="settled-")
        test.addCleanup(folder.cleanup)
        self.path = str(pathlib.Path(folder.name) / "socket")
        self._answer, self._greets = answer, greets
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(self.path)
        self._listener.listen()
        test.addCleanup(self._listener.close)
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection:
            for line in connection.makefile("rb"):
                told = json.loads(line)
                if self._greets and told["method"] == "hello":
                    answer: Any = {"jsonrpc": "2.0", "id": told["id"], "result": HELLO}
                else:
                    answer = self._answer(told)
                if answer is None:
                    return
                data = answer if isinstance(answer, bytes) else json.dumps(answer).encode() + b"\n"
                is_last, data = data.endswith(HANG_UP), data.replace(HANG_UP, b"")
                try:
                    connection.sendall(data.replace(b"ID", str(told.get("id")).encode()))
                except OSError:
                    return
                if is_last:
                    return


class StrangeDaemons(unittest.TestCase):
    def test_nonsense_is_an_error_that_says_so(self) -> None:
        for nonsense in NONSENSE:
            fake = Fake(self, lambda told, nonsense=nonsense: nonsense)  # type: ignore[misc]
            with self.subTest(nonsense=nonsense[:80]), settled.Client(fake.path) as client:
                with self.assertRaises(settled.BadAnswerError):
                    client.read("bench", timeout_s=PATIENCE_S)

    def test_nonsense_is_an_error_for_asyncio_too(self) -> None:
        async def read(path: str) -> None:
            async with aio.Client(path) as client:
                await client.read("bench", timeout_s=PATIENCE_S)

        for nonsense in NONSENSE:
            fake = Fake(self, lambda told, nonsense=nonsense: nonsense)  # type: ignore[misc]
            with self.subTest(nonsense=nonsense[:80]), self.assertRaises(settled.BadAnswerError):
                asyncio.run(read(fake.path))

    def test_nonsense_in_place_of_a_greeting_is_an_error_that_says_so(self) -> None:
        for nonsense in (b"220 mail ready\n", b'{"jsonrpc":"2.0","id":ID,"result":{"protocol":1}}\n'):
            fake = Fake(self, lambda told, nonsense=nonsense: nonsense, greets=False)  # type: ignore[misc]
            with self.assertRaises(settled.BadAnswerError):
                settled.Client(fake.path)
            with self.assertRaises(settled.BadAnswerError):
                settled.Observation(Meters(None, Leases({})), [fake.path])

    def test_who_hangs_up_is_an_error_that_says_so(self) -> None:
        fake = Fake(self, lambda told: None, greets=False)
        with self.assertRaises(settled.ConnectionLostError):
            settled.Client(fake.path)

    def test_a_refusal_of_the_connection_is_the_error_that_it_was(self) -> None:
        error = {"code": -32010, "message": "too many", "data": {"kind": "overloaded", "retry_after_s": 1}}
        fake = Fake(self, lambda told: {"jsonrpc": "2.0", "id": None, "error": error}, greets=False)
        with self.assertRaises(settled.OverloadedError) as raised:
            settled.Client(fake.path)
        self.assertEqual(raised.exception.retry_after_s, 1.0)

    def test_bytes_that_mean_nothing_never_do_anything_but_end_the_conversation(self) -> None:
        chance = random.Random(6)
        whole = json.dumps({"jsonrpc": "2.0", "id": 1, "result": READING}).encode() + b"\n"
        outcomes = set()
        for _ in range(20_000):
            data = bytearray(whole)
            for _ in range(chance.randint(1, 4)):
                data[chance.randrange(len(data))] = chance.randrange(256)
            talk = conversation.Conversation()
            pending, _ = talk.ask(settled.methods.read("bench"), {})
            try:
                cut = chance.randrange(len(data))
                talk.heard(bytes(data[:cut]))
                talk.heard(bytes(data[cut:]))
                if pending.is_over:
                    pending.result()
                    outcomes.add("read")
            except settled.SettledError as error:
                outcomes.add(error.kind)
        self.assertLessEqual(outcomes, {"read", "bad_answer", "unknown"})
        self.assertIn("bad_answer", outcomes)

    def test_members_of_a_later_version_are_kept_and_others_may_be_absent(self) -> None:
        later = {**READING, "mood": "calm", "flags": ["sleepy"], "chromaticity": {"x": 1, "y": 1, "u_prime": 1, "v_prime": 1, "w": 2}}
        fake = Fake(self, lambda told: {"jsonrpc": "2.0", "id": told["id"], "result": later, "more": 1})
        with settled.Client(fake.path) as client:
            reading = client.read("bench")
        self.assertEqual(reading.more, {"mood": "calm"})
        assert reading.chromaticity is not None
        self.assertEqual(reading.chromaticity.more, {"w": 2})
        self.assertEqual(reading.flags, ("sleepy",))
        self.assertIsNone(reading.xyz)
        self.assertEqual((reading.t_s, reading.at.microsecond, reading.at.exact), (2.5, 123456, READING["at"]))

    def test_what_is_shown_in_a_notebook_is_escaped(self) -> None:
        reading = settled.Reading.read({**READING, "meter": "<script>", "flags": ["<b>"]})
        self.assertNotIn("<script>", reading._repr_html_())
        self.assertNotIn("<b>", reading._repr_html_())

    def test_a_page_that_leads_nowhere_is_not_asked_for_for_ever(self) -> None:
        page = {"readings": [READING], "next": 7}
        fake = Fake(self, lambda told: {"jsonrpc": "2.0", "id": told["id"], "result": page})
        with settled.Client(fake.path) as client, self.assertRaises(settled.BadAnswerError):
            list(client.log_readings(timeout_s=PATIENCE_S))

    def test_a_reading_that_was_told_already_is_not_told_again(self) -> None:
        def answer(told: Any) -> Any:
            if told["method"] == "daemon.status":
                return b'{"jsonrpc":"2.0","id":ID,"error":{"code":-32012,"message":"no","data":{"kind":"not_permitted"}}}\n'
            lines: List[Any] = [{"jsonrpc": "2.0", "id": told["id"], "result": {"subscription": "s1"}}]
            for sequence in (7, 8, 8, 7, 9):
                params = {"subscription": "s1", "reading": {**READING, "sequence": sequence}}
                lines.append({"jsonrpc": "2.0", "method": "reading", "params": params})
            lines.append({"jsonrpc": "2.0", "method": "news", "params": {"subscription": "s1"}})
            lines.append({"jsonrpc": "2.0", "method": "reading", "params": {"subscription": "s2", "reading": 4}})
            return b"".join(json.dumps(line).encode() + b"\n" for line in lines)

        fake = Fake(self, answer)
        with settled.Client(fake.path) as client, client.observe("bench") as observation:
            told: Any = [observation.next(PATIENCE_S) for _ in range(3)]
        self.assertEqual([reading.sequence for reading in told], [7, 8, 9])

    def test_a_wait_that_was_nearly_over_makes_none_after_it_short(self) -> None:
        with tempfile.TemporaryDirectory(prefix="settled-") as folder, socket.socket(socket.AF_UNIX) as listener:
            path = str(pathlib.Path(folder) / "socket")
            listener.bind(path)
            listener.listen()
            link = Link([path])
            self.addCleanup(link.close)
            daemon, _ = listener.accept()
            with daemon:
                with self.assertRaises(TimeoutError):
                    link.receive(0.0)
                # Nothing comes for much longer than that.
                late = threading.Timer(0.1, daemon.sendall, [b"light"])
                late.start()
                self.assertEqual(link.receive(), b"light")
                late.join()
