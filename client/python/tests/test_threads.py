"""Threads share a client, and each gets its own answers."""

from __future__ import annotations

import threading
from typing import Any, Callable, List

import settled

from .daemon import EASY, PATIENCE_S, DaemonTest


def in_threads(count: int, work: Callable[[int], None]) -> None:
    """Runs it in so many threads at once, and raises what any of them raised."""
    failures: List[BaseException] = []

    def guarded(number: int) -> None:
        try:
            work(number)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=guarded, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "a thread hangs"
    if failures:
        raise failures[0]


class Threads(DaemonTest):
    def test_each_of_many_threads_gets_its_own_answers(self) -> None:
        client = self.client()

        def work(number: int) -> None:
            integration_s = 0.02 + 0.001 * number
            for _ in range(5):
                self.assertEqual(client.read("bench", integration_s=integration_s).integration_s, integration_s)
                with self.assertRaises(settled.NoSuchMeterError) as raised:
                    client.read(f"nobody-{number}")
                self.assertIn(f"nobody-{number}", raised.exception.message)

        in_threads(16, work)

    def test_more_than_the_daemon_lets_wait_wait_here(self) -> None:
        client = self.client()
        in_threads(100, lambda number: self.assertEqual(client.read("bench").meter, "bench"))
        with client.lease("bench", ttl_s=1):
            in_threads(70, lambda number: self.assertEqual(client.read("bench", integration_s=0.02).meter, "bench"))

    def test_who_finds_no_room_waits_no_longer_than_it_was_told_to(self) -> None:
        client = self.client()
        begun, enough = threading.Semaphore(0), threading.Event()

        def progress(report: settled.Progress) -> None:
            begun.release()
            if enough.is_set():
                raise InterruptedError

        def work(number: int) -> None:
            if number:
                with self.assertRaises(InterruptedError):
                    client.settle("bench", hold_s=600, progress=progress)
                return
            for _ in range(60):
                self.assertTrue(begun.acquire(timeout=PATIENCE_S))
            try:
                with self.assertRaisesRegex(settled.TimedOutError, "room"):
                    client.read("bench", timeout_s=0.1)
            finally:
                enough.set()

        in_threads(65, work)

    def test_a_long_wait_in_one_thread_holds_up_no_other(self) -> None:
        client = self.client()
        begun, enough = threading.Event(), threading.Event()
        ended: List[Any] = []

        def progress(report: settled.Progress) -> None:
            begun.set()
            if enough.is_set():
                raise InterruptedError

        def settle() -> None:
            try:
                client.settle("bench", hold_s=600, progress=progress)
            except InterruptedError as error:
                ended.append(error)

        thread = threading.Thread(target=settle)
        thread.start()
        self.assertTrue(begun.wait(PATIENCE_S))
        for _ in range(10):
            client.read("bench", timeout_s=PATIENCE_S)
        enough.set()
        thread.join(PATIENCE_S)
        self.assertTrue(ended)

    def test_threads_that_settle_observe_and_page_at_once_each_get_theirs(self) -> None:
        client = self.client()

        def work(number: int) -> None:
            if number % 3 == 0:
                self.assertTrue(client.settle("bench", **EASY).is_settled)
            elif number % 3 == 1:
                with client.observe("bench", interval_s=0) as observation:
                    told: Any = [observation.next(PATIENCE_S).sequence for _ in range(10)]  # type: ignore[union-attr]
                    self.assertEqual(told, sorted(set(told)))
            else:
                for _ in range(10):
                    told = [reading.sequence for reading in client.log_readings()]
                    self.assertEqual(told, sorted(set(told)))

        in_threads(9, work)

    def test_threads_that_find_the_connection_gone_make_one_new_one(self) -> None:
        client = self.client()
        self.daemon.restart()

        def work(number: int) -> None:
            for _ in range(3):
                client.meters()

        in_threads(8, work)
        self.assertEqual(client.status().clients, 1)
