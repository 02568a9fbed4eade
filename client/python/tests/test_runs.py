"""Runs from Python: begun, watched across a restart of the daemon, stopped, listed."""

from __future__ import annotations

import asyncio
import json
import unittest
from datetime import datetime, timedelta, timezone
from typing import Any, Dict, List

import settled
from settled import aio
from settled.words import in_python

from .daemon import PATIENCE_S, DaemonTest
from .test_strange_daemons import HANG_UP, Fake

#: A run as a daemon tells it.
RUN: Dict[str, Any] = {
    "run": 7,
    "plan": {"meter": "bench", "kind": "drift", "label": "monitor 4"},
    "state": "running",
    "created": "2026-11-27T18:00:00Z",
    "begins": "2026-11-27T18:00:00Z",
    "elapsed_s": 60,
    "points": 2,
    "readings": 2,
    "missed": 0,
    "gaps": 0,
    "gap_s": 0,
    "alerts": 0,
    "flags": ["simulated"],
    "message": "It goes on.",
}

ALERT: Dict[str, Any] = {"kind": "meter_lost", "at": "2026-11-27T22:13:00Z", "message": "bench is lost."}


def line(told: Any, result: Any) -> bytes:
    """An answer."""
    return json.dumps({"jsonrpc": "2.0", "id": told["id"], "result": result}).encode() + b"\n"


def changed(run: Any, **more: Any) -> bytes:
    """A notification."""
    params = {"subscription": "s1", "run": run, **more}
    return json.dumps({"jsonrpc": "2.0", "method": "runs.changed", "params": params}).encode() + b"\n"


class Calls(unittest.TestCase):
    def test_a_plan_is_what_the_arguments_say(self) -> None:
        call = settled.methods.start_run(
            "bench",
            "drift",
            label="monitor 4",
            until=datetime(2026, 11, 28, 8, tzinfo=timezone(timedelta(hours=1))),
            interval_s=60,
            burst=5,
            luminance=0.01,
            alert_luminance=0.02,
            colour=(512, 512, 512),
        )
        self.assertEqual(call.method, "runs.start")
        self.assertEqual(
            call.params,
            {
                "meter": "bench",
                "kind": "drift",
                "label": "monitor 4",
                "until": "2026-11-28T07:00:00.000000Z",
                "interval_s": 60,
                "burst": 5,
                "criteria": {"luminance": 0.01},
                "alert": {"luminance": 0.02},
                "stimulus": {"colour": [512, 512, 512]},
            },
        )
        nightly = settled.methods.start_run("bench", "warm_up", nightly="18:00", nights=5, duration_s=7200)
        self.assertEqual(nightly.params["nightly"], {"at": "18:00", "nights": 5})
        for more, name in (({"nights": 3}, "nightly"), ({"bits": 8}, "colour")):
            with self.assertRaisesRegex(TypeError, name):
                settled.methods.start_run("bench", "drift", **more)  # type: ignore[arg-type]

    def test_the_daemons_words_name_the_arguments_of_a_plan(self) -> None:
        self.assertEqual(in_python("params.alert.luminance must be"), "alert_luminance must be")
        self.assertEqual(in_python("say it with params.nightly.at"), "say it with nightly=")

    def test_nights_are_compared_however_they_are_named(self) -> None:
        run = settled.Run.read(RUN)
        since = datetime(2026, 11, 27, 18, tzinfo=timezone.utc)
        call = settled.methods.log_compare(run, {"meter": "bench", "since": since})
        self.assertEqual(call.params["one"], {"run": 7})
        self.assertEqual(call.params["other"], {"meter": "bench", "since": "2026-11-27T18:00:00.000000Z"})
        with self.assertRaisesRegex(TypeError, "no night"):
            settled.methods.log_compare(7, {"night": 3})

    def test_a_run_is_shown_in_a_line_and_a_table(self) -> None:
        run = settled.Run.read({**RUN, "standing": [ALERT], "alerts": 1, "plan": {**RUN["plan"], "label": "<b>"}})
        self.assertEqual(str(run), "run 7, drift of bench, <b>: running: It goes on.")
        self.assertNotIn("<b>", run._repr_html_())
        self.assertIn("meter_lost: bench is lost.", run._repr_html_())
        self.assertFalse(run.is_over or run.is_good)
        self.assertTrue(settled.Run.read({**RUN, "state": "done", "verdict": "within"}).is_good)


class Pages(unittest.TestCase):
    def test_bins_are_paged_by_their_beginning_and_no_more_are_given_than_were_asked_for(self) -> None:
        row = {"span_s": 60, "quantity": "luminance", "count": 1, "first": 1, "last": 1, "mean": 1, "min": 1, "max": 1, "flags": []}
        minutes = [f"2026-11-27T18:{minute:02}:00Z" for minute in range(6)]
        asked: List[Any] = []

        def answer(told: Any) -> Any:
            asked.append(told["params"])
            begin = [None, *minutes].index(told["params"].get("after"))
            page = minutes[begin : begin + 3]
            following = {"next": page[-1]} if page[-1] != minutes[-1] else {}
            return line(told, {"bins": [{**row, "at": at} for at in page], **following})

        with settled.Client(Fake(self, answer).path) as client:
            self.assertEqual([one.at.minute for one in client.log_bins(meter="bench", every_s=60)], list(range(6)))
            self.assertEqual(len(list(client.log_bins(run=7, limit=4))), 4)
        self.assertEqual([params.get("after") for params in asked], [None, minutes[2], None, minutes[2]])

    def test_runs_are_paged_from_the_latest_on(self) -> None:
        def answer(told: Any) -> Any:
            before = told["params"].get("before", 4)
            following = {"next": before - 1} if before > 2 else {}
            return line(told, {"runs": [{**RUN, "run": before - 1}], **following})

        with settled.Client(Fake(self, answer).path) as client:
            self.assertEqual([run.run for run in client.runs(meter="bench")], [3, 2, 1])


class Watching(unittest.TestCase):
    def test_a_run_that_ends_while_the_daemon_is_away_is_told(self) -> None:
        connections: List[int] = []

        def answer(told: Any) -> Any:
            if told["method"] == "runs.observe":
                connections.append(told["id"])
                return line(told, {"subscription": "s1"})
            self.assertEqual((told["method"], told["params"]), ("runs.list", {"before": 8, "limit": 1}))
            if len(connections) > 1:
                return line(told, {"runs": [{**RUN, "state": "done"}]})
            # Goes once it has told what it is alarmed at.
            return line(told, {"runs": [RUN]}) + changed({**RUN, "alerts": 1, "standing": [ALERT]}, alert=ALERT) + HANG_UP

        with settled.Client(Fake(self, answer).path) as client, client.observe_runs(7) as watching:
            first, second, third = (watching.next(PATIENCE_S) for _ in range(3))
            assert isinstance(first, settled.RunChanged) and isinstance(second, settled.RunChanged)
            self.assertEqual((first.run.state, first.alert), ("running", None))
            assert second.alert is not None
            self.assertEqual(second.alert.kind, "meter_lost")
            assert isinstance(third, settled.RunChanged)
            self.assertTrue(third.run.is_over)

    def test_what_was_missed_is_looked_up_so_that_no_end_is_overlooked(self) -> None:
        looks: List[Any] = []

        def answer(told: Any) -> Any:
            if told["method"] == "runs.observe":
                return line(told, {"subscription": "s1"})
            looks.append(told["params"])
            if "state" in told["params"]:
                is_first = told["params"]["state"] == "running" and len(looks) < 2
                missed = {"subscription": "s1", "count": 3, "why": "slow_reader"}
                notice = json.dumps({"jsonrpc": "2.0", "method": "missed", "params": missed}).encode() + b"\n"
                return line(told, {"runs": [RUN] if is_first else []}) + (notice if len(looks) == 2 else b"")
            return line(told, {"runs": [{**RUN, "state": "stopped"}]})

        with settled.Client(Fake(self, answer).path) as client, client.observe_runs() as watching:
            told: List[Any] = [watching.next(PATIENCE_S) for _ in range(3)]
        states = [item.run.state if isinstance(item, settled.RunChanged) else item.why for item in told]
        self.assertEqual(states, ["running", "slow_reader", "stopped"])

    def test_a_run_of_the_same_number_in_another_log_is_not_taken_for_it(self) -> None:
        logs = [{**RUN, "created": "2026-11-28T18:00:00Z"}, RUN]

        def answer(told: Any) -> Any:
            if told["method"] == "runs.observe":
                return line(told, {"subscription": "s1"})
            return line(told, {"runs": [logs.pop()]}) + HANG_UP

        with settled.Client(Fake(self, answer).path) as client, client.observe_runs(7) as watching:
            watching.next(PATIENCE_S)
            with self.assertRaisesRegex(settled.NoSuchRunError, "another"):
                watching.next(PATIENCE_S)


class Runs(DaemonTest):
    def test_a_run_goes_on_without_its_client_and_across_a_kill_of_the_daemon(self) -> None:
        with settled.Client(self.daemon.socket) as client:
            begun = client.start_run("bench", "drift", label="monitor 4", interval_s=0.1, burst=2)
        self.assertEqual((begun.plan.label, begun.is_over), ("monitor 4", False))
        client = self.client()
        with client.observe_runs(begun) as watching:
            while self.points(watching) < 3:
                pass
            self.daemon.restart()
            while self.points(watching) < 6:
                pass
            stopped = client.stop_run(begun, reason="seen enough")
            while not self.change(watching).run.is_over:
                pass
        shown = client.run(stopped)
        self.assertEqual((shown.state, shown.run), ("stopped", begun.run))
        self.assertIn("simulated", shown.flags)
        logged = list(client.log_readings(run=begun))
        # What was exposed for a burst as the run was stopped is in the log, and no part of a point.
        self.assertIn(len(logged) - shown.readings, range(3))
        self.assertTrue(all(begun.run in reading.runs for reading in logged))
        self.assertIn("run_resumed", [event.kind for event in client.log_events(run=begun)])
        self.assertEqual([run.run for run in client.runs(state="stopped")], [begun.run])
        with self.assertRaises(settled.RunRefusedError):
            client.stop_run(begun)
        with self.assertRaises(settled.NoSuchRunError):
            client.run(99)

    def change(self, watching: "settled.observation.Observation[Any]") -> settled.RunChanged:
        """The next change."""
        item = watching.next(PATIENCE_S)
        assert isinstance(item, settled.RunChanged)
        return item

    def points(self, watching: "settled.observation.Observation[Any]") -> int:
        """How many the next change tells of."""
        return self.change(watching).run.points

    def test_asyncio_has_runs_too(self) -> None:
        async def watch() -> List[str]:
            states = []
            async with aio.Client(self.daemon.socket) as client:
                begun = await client.start_run("bench", "stability", duration_s=1, luminance=0.5, chromaticity=0.1)
                async with client.observe_runs(begun.run) as watching:
                    async for change in watching:
                        assert isinstance(change, settled.RunChanged)
                        states.append(change.run.state)
                        if change.run.is_over:
                            break
            return states

        states = asyncio.run(asyncio.wait_for(watch(), PATIENCE_S))
        self.assertEqual((states[0], states[-1]), ("running", "done"))
