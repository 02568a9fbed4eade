"""Requests that are given up are taken back, and errors are what the daemon said."""

from __future__ import annotations

import copy
import json
import os
import pathlib
import pickle
import signal
import threading
import time
import unittest
from typing import Any, Callable, List
from unittest import mock

import settled
from settled import errors
from settled.place import candidates

from .daemon import EASY, PATIENCE_S, DaemonTest, wait_until


class TakingBack(DaemonTest):
    def nobody_waits(self) -> bool:
        """Whether the daemon has no request left: it makes no exposure then."""
        client = self.client()
        before = client.status().meters[0].exposures
        deadline = time.monotonic() + 0.3
        while time.monotonic() < deadline:
            threading.Event().wait(0.02)
        return client.status().meters[0].exposures == before

    def test_a_call_that_takes_too_long_is_taken_back(self) -> None:
        client = self.client()
        start = time.monotonic()
        with self.assertRaises(TimeoutError) as raised:
            client.settle("bench", hold_s=600, timeout_s=0.2)
        self.assertLess(time.monotonic() - start, 5)
        self.assertIsInstance(raised.exception, settled.TimedOutError)
        wait_until("the request is taken back", self.nobody_waits)
        self.assertIsInstance(client.read("bench"), settled.Reading)

    def test_a_client_may_have_a_time_limit_for_all_its_calls(self) -> None:
        client = self.client(timeout_s=0.2)
        with self.assertRaises(settled.TimedOutError):
            client.settle("bench", hold_s=600)
        self.assertTrue(client.settle("bench", timeout_s=PATIENCE_S, **EASY).is_settled)

    def test_an_interrupt_takes_the_request_back(self) -> None:
        client = self.client()
        main = threading.get_ident()

        def interrupt(report: settled.Progress) -> None:
            # From another thread, as a notebook does it: it reaches whoever waits.
            threading.Thread(target=signal.pthread_kill, args=(main, signal.SIGINT)).start()

        with self.assertRaises(KeyboardInterrupt):
            client.settle("bench", hold_s=600, progress=interrupt)
        wait_until("the request is taken back", self.nobody_waits)

    def test_a_callback_that_fails_ends_the_wait_and_takes_the_request_back(self) -> None:
        client = self.client()
        with self.assertRaises(ZeroDivisionError):
            client.settle("bench", hold_s=600, progress=lambda report: report.count // 0)  # type: ignore[arg-type]
        wait_until("the request is taken back", self.nobody_waits)

    def test_a_daemon_that_is_stopped_costs_no_more_than_the_time_limit(self) -> None:
        client = self.client()
        self.daemon.signal(signal.SIGSTOP)
        try:
            with self.assertRaises(settled.TimedOutError):
                client.read("bench", timeout_s=0.2)
        finally:
            self.daemon.signal(signal.SIGCONT)
        self.assertIsInstance(client.read("bench"), settled.Reading)

    def test_a_kill_ends_the_call_under_way_and_the_next_connects_anew(self) -> None:
        client = self.client()
        ended: List[BaseException] = []
        begun = threading.Event()

        def settle() -> None:
            try:
                client.settle("bench", hold_s=600, progress=lambda report: begun.set())
            except settled.SettledError as error:
                ended.append(error)

        thread = threading.Thread(target=settle)
        thread.start()
        self.assertTrue(begun.wait(PATIENCE_S))
        self.daemon.restart()
        thread.join(PATIENCE_S)
        self.assertIsInstance(ended[0], settled.ConnectionLostError)
        self.assertIsInstance(client.read("bench"), settled.Reading)

    def test_a_client_that_was_closed_says_so(self) -> None:
        client = self.client()
        client.close()
        asked: List[Callable[[], object]] = [
            lambda: client.read("bench"),
            lambda: client.observe("bench"),
            lambda: client.observe_meters(),
            lambda: list(client.log_readings()),
            lambda: client.lease("bench").__enter__(),
        ]
        for ask in asked:
            with self.assertRaisesRegex(settled.ClosedError, "closed"):
                ask()

    def test_a_client_that_is_forgotten_leaves_no_connection_and_no_thread(self) -> None:
        watching = self.client()
        threads = threading.active_count()
        # Nothing is read meanwhile: that they are gone shows without anything being sent to them.
        for _ in range(5):
            settled.Client(self.daemon.socket).meters()
            settled.Client(self.daemon.socket).observe("bench")
        wait_until("all of them are gone", lambda: watching.status().clients == 1)
        wait_until("their threads have ended", lambda: threading.active_count() == threads)


class Errors(DaemonTest):
    def test_an_error_has_its_class_its_kind_and_its_words(self) -> None:
        client = self.client()
        with self.assertRaises(settled.NoSuchMeterError) as raised:
            client.read("nope")
        error = raised.exception
        self.assertEqual((error.kind, error.code, str(error)), ("no_such_meter", -32000, error.message))
        self.assertIn("bench", error.message)
        with self.assertRaisesRegex(settled.InvalidParamsError, "hold_s"):
            client.settle("bench", hold_s=-3)
        with self.assertRaises(settled.InvalidParamsError):
            client.zero("bench", covered=False)
        with self.assertRaises(settled.NoSuchCorrectionError):
            client.correct("bench", "c77")
        with self.assertRaises(settled.MethodNotFoundError):
            client.carry_out(settled.Call("meter.dance", {}, lambda told: told))

    def test_what_is_no_json_is_refused_before_it_is_sent(self) -> None:
        client = self.client()
        with self.assertRaises(ValueError):
            client.read("bench", integration_s=float("nan"))
        with self.assertRaisesRegex(ValueError, "bytes"):
            client.read("b" * (1 << 20))
        self.assertIsInstance(client.read("bench"), settled.Reading)


class Kinds(unittest.TestCase):
    def test_every_kind_that_the_daemon_has_is_a_class_here(self) -> None:
        page = json.loads((pathlib.Path(__file__).parents[3] / "protocol" / "openrpc.json").read_text())
        schema = page["components"]["schemas"]["ErrorKind"]
        kinds = {choice["const"] for choice in schema["oneOf"] if "const" in choice} | set(schema.get("enum", []))
        for choice in schema["oneOf"]:
            kinds |= set(choice.get("enum", []))
        kinds.discard("unknown")
        self.assertGreater(len(kinds), 20)
        for kind in kinds:
            error = errors.told({"code": -1, "message": "m", "data": {"kind": kind}})
            self.assertIsNot(type(error), settled.SettledError, kind)
            self.assertIn(type(error).__name__, settled.__all__)

    def test_a_kind_of_a_later_version_stays_usable(self) -> None:
        data = {"kind": "meter_bored", "meter": "bench", "retry_after_s": 2}
        error = errors.told({"code": -32099, "message": "It is bored.", "data": data})
        self.assertIs(type(error), settled.SettledError)
        self.assertEqual((error.kind, error.meter, error.retry_after_s), ("meter_bored", "bench", 2.0))
        for again in (copy.copy(error), pickle.loads(pickle.dumps(error))):
            self.assertEqual((again.kind, again.message, again.meter), (error.kind, error.message, error.meter))

    def test_an_error_that_makes_no_sense_is_an_error_all_the_same(self) -> None:
        strange: List[Any] = [None, 3, [], {}, {"message": 4, "data": []}, {"code": 1e300, "data": {"kind": 7}}]
        for told in strange:
            error = errors.told(told)
            self.assertEqual(error.kind, "unknown")
            self.assertTrue(error.message)

    def test_nobody_at_the_socket_is_an_error_that_says_what_to_do(self) -> None:
        with self.assertRaisesRegex(settled.NoDaemonError, "/nowhere/socket.*SETTLED_SOCKET"):
            settled.Client("/nowhere/socket")

    def test_the_variable_wins_over_the_users_folder_over_the_systems(self) -> None:
        both = {"SETTLED_SOCKET": "/a", "XDG_RUNTIME_DIR": "/user"}
        self.assertEqual(candidates("/named", both), ["/named"])
        self.assertEqual(candidates(None, both), ["/a"])
        both["SETTLED_SOCKET"] = ""
        self.assertEqual(candidates(None, both), ["/user/settled/socket", "/run/settled/socket"])
        self.assertEqual(candidates(None, {}), ["/run/settled/socket"])


class Searching(DaemonTest):
    def test_a_client_finds_the_socket_that_the_environment_names(self) -> None:
        with mock.patch.dict(os.environ, {"SETTLED_SOCKET": self.daemon.socket}):
            with settled.Client() as client:
                self.assertEqual(client.meters()[0].id, "bench")
