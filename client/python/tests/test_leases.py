"""Leases: others are kept out while one is held, it is renewed, given back, and its loss is never overlooked."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
import unittest
from typing import Any, List, Optional
from unittest import mock

import settled
from settled import aio
from settled.lease import Lease, Leases

from .daemon import CONFIG, EASY, PATIENCE_S, DaemonTest, wait_until


class LeaseTest(DaemonTest):
    def holder(self) -> Any:
        """Who has the meter, as somebody else sees it."""
        with settled.Client(self.daemon.socket) as other:
            return other.meters()[0].lease

    def refused(self, client: Optional[settled.Client] = None) -> None:
        """Somebody else is refused, whatever it asks for."""
        other = client or self.client()
        with self.assertRaises(settled.LeasedError) as raised:
            other.read("bench")
        self.assertEqual(raised.exception.meter, "bench")


class Held(LeaseTest):
    def test_while_one_is_held_others_are_refused_and_its_holder_is_not(self) -> None:
        client, other = self.client(name="chart"), self.client()
        with client.lease("bench", purpose="a grey scale") as lease:
            holder = self.holder()
            self.assertEqual((holder.client, holder.purpose, holder.pid), ("chart", "a grey scale", os.getpid()))
            self.refused(other)
            self.assertIsInstance(client.read("bench"), settled.Reading)
            self.assertTrue(client.settle("bench", **EASY).is_settled)
            client.zero("bench", covered=True)
            client.stage_show([512] * 3, meter="bench")
            client.stage_show([1023] * 3)
            client.correct("bench", None)
            with client.observe("bench", interval_s=0) as observation:
                self.assertIsInstance(observation.next(PATIENCE_S), settled.Reading)
            with self.assertRaises(settled.LeasedError):
                other.stage_show([0] * 3)
            with self.assertRaises(settled.LeasedError):
                other.zero("bench", covered=True)
            self.assertNotIn(lease.token, repr(lease))
        self.assertIsNone(self.holder())
        self.assertIsInstance(other.read("bench"), settled.Reading)

    def test_who_only_watches_sees_the_readings_of_the_holder(self) -> None:
        client = self.client()
        with self.client().observe("bench") as watching, client.lease("bench"):
            taken = client.read("bench")
            self.assertEqual(watching.next(PATIENCE_S), taken)

    def test_who_asks_while_it_is_held_waits_in_turn_or_is_told_at_once(self) -> None:
        first, second = self.client(), self.client()
        with self.assertRaises(settled.LeasedError):
            with first.lease("bench"), second.lease("bench", wait_s=0):
                pass
        order: List[str] = []

        def wait() -> None:
            with second.lease("bench", wait_s=PATIENCE_S):
                order.append("second")

        with first.lease("bench"):
            thread = threading.Thread(target=wait)
            thread.start()
            first.read("bench")
            order.append("first")
        thread.join(PATIENCE_S)
        self.assertEqual(order, ["first", "second"])

    def test_a_reading_can_wait_until_the_meter_is_free(self) -> None:
        client, other = self.client(), self.client()
        told: List[Any] = []
        with client.lease("bench"):
            thread = threading.Thread(target=lambda: told.append(other.read("bench", wait_s=PATIENCE_S)))
            thread.start()
            mine = client.read("bench")
        thread.join(PATIENCE_S)
        self.assertGreater(told[0].sequence, mine.sequence)

    def test_it_is_renewed_in_the_background_for_as_long_as_it_is_held(self) -> None:
        client = self.client()
        with client.lease("bench", ttl_s=1) as lease:
            self.assertEqual(lease.ttl_s, 1.0)
            first = self.holder()
            wait_until("it has been held for three times its time", lambda: (self.holder().expires_at - first.since).total_seconds() > 3)
            client.read("bench")
        self.assertIsNone(self.holder())

    def test_a_lease_that_others_gave_back_is_lost_and_that_is_not_overlooked(self) -> None:
        client, other = self.client(), self.client()
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench") as lease:
                other.carry_out(Lease("bench", lease.token).release())
                with self.assertRaises(settled.LeaseLostError):
                    client.read("bench")
        # Whoever asks for nothing inside is told at the end.
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench") as lease:
                other.carry_out(Lease("bench", lease.token).release())
        self.assertIsInstance(client.read("bench"), settled.Reading)

    def test_a_restart_of_the_daemon_loses_it_and_nothing_is_read_without_it(self) -> None:
        client = self.client()
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench", ttl_s=600):
                self.daemon.restart()
                with self.assertRaises(settled.LeaseLostError):
                    client.read("bench")
        self.assertEqual(list(client.log_readings()), [])

    def test_that_it_was_lost_is_known_as_soon_as_anything_says_so(self) -> None:
        client, other = self.client(), self.client()
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench", ttl_s=600) as lease:
                other.carry_out(lease.release())
                self.assertFalse(lease.is_lost)
                with self.assertRaisesRegex(settled.LeaseLostError, "restart of the daemon"):
                    client.read("bench")
                self.assertTrue(lease.is_lost)
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench", ttl_s=600) as lease:
                other.carry_out(lease.release())
                with self.assertRaises(settled.LeaseLostError):
                    client.observe("bench", interval_s=0)
                self.assertTrue(lease.is_lost)

    def test_a_client_that_is_closed_inside_has_given_it_back(self) -> None:
        client = self.client()
        with client.lease("bench", ttl_s=600):
            client.close()
            wait_until("the meter is free", lambda: self.holder() is None)

    def test_a_renewal_that_comes_too_late_is_a_loss_that_is_known(self) -> None:
        client = self.client()
        with self.assertRaises(settled.LeaseLostError):
            with client.lease("bench", ttl_s=1) as lease:
                self.daemon.signal(signal.SIGSTOP)
                try:
                    wait_until("the renewal was given up", lambda: lease.is_lost)
                finally:
                    self.daemon.signal(signal.SIGCONT)
                with self.assertRaises(settled.LeaseLostError):
                    client.read("bench")

    def test_what_goes_wrong_inside_is_what_is_raised_and_the_lease_is_given_back(self) -> None:
        client = self.client()
        with self.assertRaises(ZeroDivisionError):
            with client.lease("bench"):
                raise ZeroDivisionError
        self.assertIsNone(self.holder())

    def test_a_client_that_hangs_up_has_it_no_more(self) -> None:
        client = self.client()
        granted = client.carry_out(settled.methods.take_lease("bench", ttl_s=600))
        self.assertNotIn(granted.lease, repr(granted))
        self.refused()
        client.close()
        wait_until("the meter is free", lambda: self.holder() is None)

    def test_a_lease_from_the_environment_is_used_and_a_block_goes_by_it(self) -> None:
        client = self.client()
        with client.lease("bench") as lease:
            with mock.patch.dict(os.environ, {"SETTLED_LEASE": f"other=x,bench={lease.token}"}):
                inner = self.client()
            inner.read("bench")
            with inner.lease("bench") as same:
                self.assertEqual(same.token, lease.token)
                inner.read("bench")
            inner.read("bench")
            self.refused()
        with self.assertRaises(settled.LeaseLostError):
            inner.read("bench")


class OneDisplay(LeaseTest):
    """Two meters before one simulated display, and one before a display of its own."""

    config = (
        CONFIG
        + """
[[meter]]
id = "spectral"
driver = "simulated"
looks_at = "bench"
"""
    )

    def test_what_is_shown_goes_by_the_lease_on_any_meter_that_looks_there(self) -> None:
        client, other = self.client(), self.client()
        for held in (["bench"], ["spectral"], ["bench", "spectral"], ["spectral", "bench"]):
            with self.subTest(held), contextlib.ExitStack() as stack:
                for meter in held:
                    stack.enter_context(client.lease(meter))
                client.stage_show([512] * 3)
                for meter in ("bench", "spectral"):
                    client.stage_show([512] * 3, meter=meter)
                with self.assertRaises(settled.LeasedError):
                    other.stage_show([0] * 3)
        client.stage_show([512] * 3)

    def test_a_display_that_others_have_a_meter_at_is_refused_and_one_more_lease_changes_nothing(self) -> None:
        client, other = self.client(), self.client()
        with other.lease("bench"), client.lease("spectral"):
            for meter in (None, "bench", "spectral"):
                with self.assertRaises(settled.LeasedError):
                    client.stage_show([0] * 3, meter=meter)

    def test_a_lease_that_was_lost_lets_nothing_be_shown(self) -> None:
        client, other = self.client(), self.client()
        before = client.stage_show([512] * 3).before
        for meter in ("bench", "spectral"):
            with self.assertRaises(settled.LeaseLostError), client.lease(meter) as lease:
                other.carry_out(lease.release())
                client.stage_show([0] * 3)
        self.assertIsNotNone(before)
        self.assertEqual(getattr(client.stage_show([512] * 3).before, "colour", None), (512, 512, 512))


class TwoDisplays(LeaseTest):
    config = CONFIG + CONFIG[CONFIG.index("[[meter]]") :].replace("bench", "aside")

    def test_where_there_are_several_displays_it_is_said_what_to_pass(self) -> None:
        client = self.client()
        with client.lease("aside"):
            with self.assertRaisesRegex(settled.SettledError, "meter="):
                client.stage_show([512] * 3)
            client.stage_show([512] * 3, meter="aside")
            # What nobody has leased needs no lease.
            client.stage_show([512] * 3, meter="bench")


class Asyncio(LeaseTest):
    def test_what_is_shown_goes_by_any_lease_there(self) -> None:
        async def main() -> None:
            async with aio.Client(self.daemon.socket) as client, client.lease("bench"):
                await client.stage_show([512] * 3)

        asyncio.run(asyncio.wait_for(main(), PATIENCE_S))

    def test_a_lease_is_held_renewed_and_given_back(self) -> None:
        async def main() -> None:
            async with aio.Client(self.daemon.socket) as client, aio.Client(self.daemon.socket) as other:
                async with client.lease("bench", ttl_s=1, purpose="a grey scale") as lease:
                    first: Any = (await other.meters())[0].lease
                    self.assertEqual(first.purpose, "a grey scale")
                    with self.assertRaises(settled.LeasedError):
                        await other.read("bench")
                    now: Any = first
                    while (now.expires_at - first.since).total_seconds() < 3:
                        await client.read("bench")
                        now = (await other.meters())[0].lease
                    lease.check()
                await other.read("bench")
                with self.assertRaises(settled.LeaseLostError):
                    async with client.lease("bench") as lease:
                        await other.carry_out(lease.release())
                        with self.assertRaises(settled.LeaseLostError):
                            await client.read("bench")

        asyncio.run(asyncio.wait_for(main(), 2 * PATIENCE_S))

    def test_a_task_that_is_cancelled_gives_it_back(self) -> None:
        async def hold(client: aio.Client, held: asyncio.Event) -> None:
            async with client.lease("bench", ttl_s=600):
                held.set()
                await asyncio.Event().wait()

        async def main() -> None:
            async with aio.Client(self.daemon.socket) as client, aio.Client(self.daemon.socket) as other:
                held = asyncio.Event()
                task = asyncio.ensure_future(hold(client, held))
                await held.wait()
                task.cancel()
                with self.assertRaises(asyncio.CancelledError):
                    await task
                await other.read("bench")

        asyncio.run(asyncio.wait_for(main(), 2 * PATIENCE_S))


class Environment(unittest.TestCase):
    def test_a_variable_that_makes_no_sense_is_an_error_that_does_not_tell_the_token(self) -> None:
        for text in ("secret", "bench=", "=secret", "bench=secret,secret"):
            with self.assertRaisesRegex(ValueError, "METER=TOKEN") as raised:
                Leases({"SETTLED_LEASE": text})
            self.assertNotIn("secret", str(raised.exception))
        self.assertEqual(Leases({"SETTLED_LEASE": ""}).on("bench"), None)
        several = Leases({"SETTLED_LEASE": "bench=a, spectral=b"})
        self.assertEqual([lease.token for lease in (several.on("bench"), several.on("spectral")) if lease], ["a", "b"])
