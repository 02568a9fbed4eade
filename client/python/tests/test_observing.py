"""Observing: nothing is lost or told twice across restarts, and whoever is slow is told what it missed."""

from __future__ import annotations

import signal
import threading
from typing import Any, List

import settled

from .daemon import CONFIG, PATIENCE_S, DaemonTest, sequences, wait_until


class Observing(DaemonTest):
    def logged(self, meter: str = "bench") -> List[int]:
        return sequences(list(self.client().log_readings(meter=meter)))

    def take(self, observation: Any, count: int) -> List[Any]:
        return [observation.next(PATIENCE_S) for _ in range(count)]

    def test_readings_come_as_they_are_taken(self) -> None:
        client = self.client()
        with client.observe("bench") as watching:
            taken = [client.read("bench").sequence for _ in range(3)]
            self.assertEqual(sequences(self.take(watching, 3)), taken)
            with self.assertRaises(settled.TimedOutError):
                watching.next(0.05)

    def test_after_a_sequence_the_log_is_delivered_first(self) -> None:
        client = self.client()
        taken = [client.read("bench").sequence for _ in range(4)]
        with client.observe("bench", after=taken[0], interval_s=0) as observation:
            told = sequences(self.take(observation, 6))
        self.assertEqual(told[:3], taken[1:])
        self.assertEqual(told, self.logged()[1:7])

    def test_whoever_wants_fewer_readings_gets_fewer_across_a_restart_too(self) -> None:
        with self.client().observe("bench", interval_s=0, every_s=0.3) as observation:
            told = self.take(observation, 4)
            self.daemon.restart()
            told += self.take(observation, 4)
        for first, last in ((told[0], told[3]), (told[4], told[7])):
            self.assertGreaterEqual(last.t_s - first.t_s, 0.9)
        self.assertGreater(len(self.logged()), 3 * len(told))

    def test_a_daemon_that_is_killed_and_started_anew_leaves_no_gap_and_no_repeat(self) -> None:
        with self.client().observe("bench", interval_s=0) as observation:
            told = sequences(self.take(observation, 5))
            for _ in range(3):
                self.daemon.restart()
                told += sequences(self.take(observation, 5))
        logged = self.logged()
        first = logged.index(told[0])
        self.assertEqual(told, logged[first : first + len(told)])

    def test_what_was_read_while_the_observer_was_cut_off_is_delivered_afterwards(self) -> None:
        watching = self.client().observe("bench")
        self.addCleanup(watching.close)
        first = self.client().read("bench").sequence
        self.assertEqual(sequences(self.take(watching, 1)), [first])
        self.daemon.restart()
        # Nobody looks at the observation meanwhile: it is not even connected again.
        missed = [self.client().read("bench").sequence for _ in range(3)]
        self.assertEqual(sequences(self.take(watching, 3)), missed)

    def test_an_observer_that_had_no_reading_yet_misses_none_across_a_restart(self) -> None:
        self.client().read("bench")
        watching = self.client().observe("bench")
        self.addCleanup(watching.close)
        self.daemon.restart()
        taken = self.client().read("bench").sequence
        self.assertEqual(sequences(self.take(watching, 1)), [taken])

    def test_a_log_that_is_another_is_a_gap_that_is_told(self) -> None:
        watching = self.client().observe("bench")
        self.addCleanup(watching.close)
        last = [self.client().read("bench").sequence for _ in range(3)][-1]
        self.take(watching, 3)
        self.daemon.kill()
        for file in self.daemon.folder.glob("log.sqlite*"):
            file.unlink()
        self.daemon.start()
        gap = watching.next(PATIENCE_S)
        self.assertEqual(gap, settled.Missed("other_log", from_sequence=last + 1))
        self.assertEqual(self.client().read("bench").sequence, 1)
        self.assertEqual(sequences([watching.next(PATIENCE_S)]), [1])

    def test_closing_from_another_thread_ends_the_wait(self) -> None:
        watching = self.client().observe("bench")
        told: List[Any] = []
        thread = threading.Thread(target=lambda: told.extend(watching))
        thread.start()
        self.client().read("bench")
        wait_until("the reading is there", lambda: len(told) == 1)
        watching.close()
        thread.join(PATIENCE_S)
        self.assertFalse(thread.is_alive())

    def test_what_is_wrong_is_raised_at_once(self) -> None:
        with self.assertRaises(settled.NoSuchMeterError):
            self.client().observe("nope")
        with self.assertRaises(settled.InvalidParamsError):
            self.client().observe("bench", after=10**6)
        with self.assertRaises(settled.InvalidParamsError):
            self.client().observe("bench", interval_s=-1)

    def test_a_daemon_that_stops_for_good_is_waited_for_and_the_wait_can_end(self) -> None:
        watching = self.client().observe("bench")
        self.addCleanup(watching.close)
        self.daemon.signal(signal.SIGTERM)
        assert self.daemon.process is not None
        self.daemon.process.wait(PATIENCE_S)
        with self.assertRaises(settled.TimedOutError):
            watching.next(0.3)
        self.daemon.start()
        taken = self.client().read("bench").sequence
        self.assertEqual(sequences([watching.next(PATIENCE_S)]), [taken])

    def test_meters_are_told_anew_after_a_restart(self) -> None:
        with self.client().observe_meters() as meters:
            self.client().zero("bench", covered=True)
            self.assertEqual(meters.next(PATIENCE_S).id, "bench")  # type: ignore[union-attr]
            self.daemon.restart()
            while True:
                told = meters.next(PATIENCE_S)
                if isinstance(told, settled.Meter) and told.state == "ready" and told.zero and told.zero.at:
                    break


class WithoutLog(DaemonTest):
    config = CONFIG.replace("log.sqlite", "off")

    def test_without_a_log_a_restart_is_a_gap_that_is_told(self) -> None:
        with self.client().observe("bench", interval_s=0) as observation:
            last = [observation.next(PATIENCE_S) for _ in range(3)][-1]
            assert isinstance(last, settled.Reading)
            self.assertIn("unlogged", last.flags)
            self.daemon.restart()
            told: List[Any] = []
            while not any(isinstance(item, settled.Missed) for item in told):
                told.append(observation.next(PATIENCE_S))
            self.assertEqual(told[-1].why, "log_unavailable")
            self.assertEqual(sequences([observation.next(PATIENCE_S)]), [1])


class Slow(DaemonTest):
    # As many readings as anybody asks for: exposures take no time, and no disk is waited for.
    config = (
        "[clock]\nspeed = 100\n"
        + CONFIG.replace("[[meter]]", 'survives = "crash"\n[[meter]]').replace("automatic_s = 0.05\n", "")
        + "instant = true\n"
    )

    def test_a_slow_reader_is_told_at_its_place_what_it_missed(self) -> None:
        observation = self.client().observe("bench")
        self.addCleanup(observation.close)
        # Of a meter that nobody else uses: what comes from now on is told as it comes, and not from the log, where nothing is missed.
        self.client().read("bench")
        first = sequences([observation.next(PATIENCE_S)])[0]
        # Another takes many readings while it takes none, until the socket's buffers and the daemon's queue have run over.
        other = self.client().observe("bench", interval_s=0)
        self.addCleanup(other.close)
        latest = first
        while latest < first + 4000:
            item = other.next(PATIENCE_S)
            latest = item.sequence if isinstance(item, settled.Reading) else latest
        told: List[Any] = [observation.next(PATIENCE_S)]
        while not isinstance(told[-1], settled.Missed):
            self.assertLess(len(told), 4000, "what is kept for a slow reader is bounded")
            told.append(observation.next(PATIENCE_S))
        told += [observation.next(PATIENCE_S) for _ in range(10)]
        expected = first + 1
        for item in told:
            if isinstance(item, settled.Missed):
                self.assertEqual((item.why, item.from_sequence), ("slow_reader", expected))
                assert item.to_sequence is not None
                self.assertEqual(item.count, item.to_sequence - expected + 1)
                expected = item.to_sequence + 1
            else:
                self.assertEqual(item.sequence, expected)
                expected += 1
