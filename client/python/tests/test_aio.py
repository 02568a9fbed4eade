"""asyncio: many tasks on one connection, cancelling, observing across a restart."""

from __future__ import annotations

import asyncio
from typing import Any, Awaitable, Callable, List

import settled
from settled import aio

from .daemon import EASY, PATIENCE_S, DaemonTest, sequences


class Asyncio(DaemonTest):
    def run_with_client(self, work: Callable[[aio.Client], Awaitable[Any]]) -> Any:
        async def main() -> Any:
            async with aio.Client(self.daemon.socket, name="tasks") as client:
                return await asyncio.wait_for(work(client), 3 * PATIENCE_S)

        return asyncio.run(main())

    def test_each_of_many_tasks_gets_its_own_answers(self) -> None:
        async def work(client: aio.Client) -> None:
            async def read(number: int) -> None:
                integration_s = 0.02 + 0.001 * (number % 8)
                self.assertEqual((await client.read("bench", integration_s=integration_s)).integration_s, integration_s)
                with self.assertRaises(settled.NoSuchMeterError) as raised:
                    await client.read(f"nobody-{number}")
                self.assertIn(f"nobody-{number}", raised.exception.message)

            await asyncio.gather(*(read(number) for number in range(60)))

        self.run_with_client(work)

    def test_a_call_is_a_coroutine_that_a_task_can_be_made_of(self) -> None:
        async def work(client: aio.Client) -> None:
            task: "asyncio.Task[settled.Reading]" = asyncio.create_task(client.read("bench"))
            self.assertEqual((await task).meter, "bench")
            self.assertIn("tasks, open", repr(client))
            self.assertIn("readings of bench", repr(client.observe("bench")))
            self.assertIn("log.events", repr(client.log_events()))
            with self.assertRaisesRegex(TypeError, r"read\(meter, \*"):
                await client.read("bench", 0.5)  # type: ignore[call-arg]

        self.run_with_client(work)

    def test_more_than_the_daemon_lets_wait_wait_here(self) -> None:
        async def work(client: aio.Client) -> None:
            self.assertEqual(len(await asyncio.gather(*(client.read("bench") for _ in range(150)))), 150)

        self.run_with_client(work)

    def test_a_client_that_was_closed_says_so(self) -> None:
        async def work(client: aio.Client) -> None:
            await client.close()
            for ask in (client.read("bench"), client.lease("bench").__aenter__()):
                with self.assertRaises(settled.ClosedError):
                    await ask
            with self.assertRaises(settled.ClosedError):
                client.observe("bench")

        self.run_with_client(work)

    def test_progress_comes_as_an_iterator_that_ends_with_the_answer(self) -> None:
        async def work(client: aio.Client) -> List[Any]:
            return [item async for item in client.settling("bench", **EASY)]

        told = self.run_with_client(work)
        self.assertGreaterEqual(len(told), 2)
        self.assertTrue(all(isinstance(item, settled.Progress) for item in told[:-1]))
        self.assertTrue(told[-1].is_settled)

    def test_a_task_that_is_cancelled_takes_its_request_back(self) -> None:
        async def work(client: aio.Client) -> None:
            begun = asyncio.Event()
            task = asyncio.ensure_future(client.settle("bench", hold_s=600, progress=lambda report: begun.set()))
            await begun.wait()
            task.cancel()
            with self.assertRaises(asyncio.CancelledError):
                await task
            # As many as may wait at once would be refused if any of these were still there.
            for _ in range(8):
                tasks = [asyncio.ensure_future(client.settle("bench", hold_s=600)) for _ in range(60)]
                await asyncio.sleep(0)
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
            self.assertIsInstance(await client.read("bench"), settled.Reading)

        self.run_with_client(work)

    def test_an_iterator_that_is_left_early_takes_its_request_back(self) -> None:
        async def work(client: aio.Client) -> None:
            async for _ in client.settling("bench", hold_s=600):
                break
            deadline = asyncio.get_running_loop().time() + PATIENCE_S
            while True:
                before = (await client.status()).meters[0].exposures
                await asyncio.sleep(0.3)
                if (await client.status()).meters[0].exposures == before:
                    return
                self.assertLess(asyncio.get_running_loop().time(), deadline, "the daemon goes on reading")

        self.run_with_client(work)

    def test_a_call_that_takes_too_long_is_given_up(self) -> None:
        async def work(client: aio.Client) -> None:
            with self.assertRaises(settled.TimedOutError):
                await client.settle("bench", hold_s=600, timeout_s=0.1)
            self.assertIsInstance(await client.read("bench"), settled.Reading)

        self.run_with_client(work)

    def test_a_restart_in_the_middle_leaves_no_gap_and_no_repeat(self) -> None:
        async def work(client: aio.Client) -> None:
            told: List[Any] = []
            async with client.observe("bench", interval_s=0) as observation:
                async for item in observation:
                    told.append(item)
                    if len(told) in (5, 10):
                        await asyncio.get_running_loop().run_in_executor(None, self.daemon.restart)
                    if len(told) == 15:
                        break
            logged = [reading.sequence async for reading in client.log_readings()]
            first = logged.index(told[0].sequence)
            self.assertEqual(sequences(told), logged[first : first + 15])

        self.run_with_client(work)

    def test_the_other_methods_are_there_too(self) -> None:
        async def work(client: aio.Client) -> None:
            await client.read("bench")
            self.assertEqual([event.kind async for event in client.log_events(limit=1)], ["daemon_started"])
            self.assertEqual([correction async for correction in client.corrections()], [])
            async with client.observe_meters() as meters:
                await client.zero("bench", covered=True)
                async for meter in meters:
                    self.assertIsInstance(meter, settled.Meter)
                    break
            with self.assertRaises(settled.NoSuchMeterError):
                async for _ in client.observe("nope"):
                    pass

        self.run_with_client(work)

    def test_nobody_at_the_socket_is_an_error_that_says_what_to_do(self) -> None:
        async def main() -> None:
            async with aio.Client("/nowhere/socket"):
                pass

        with self.assertRaisesRegex(settled.NoDaemonError, "/nowhere/socket"):
            asyncio.run(main())

    def test_both_clients_have_the_same_methods(self) -> None:
        def methods(client: Any) -> List[str]:
            return [name for name in dir(client) if not name.startswith("_")]

        self.assertEqual(methods(settled.Client), [name for name in methods(aio.Client) if name != "settling"])
