"""What may be given as an argument, and what an argument that won't do is called."""

from __future__ import annotations

import decimal
import gc
import json
import os
import pathlib
import unittest
from typing import Any, Callable, List

import settled
from settled.plain import plain
from settled.words import in_python

from .daemon import EASY, DaemonTest


class Whole:
    """Acts as a whole number of numpy's."""

    def __init__(self, value: int) -> None:
        self._value = value

    def __index__(self) -> int:
        return self._value


class Real:
    """Acts as a real number that has no equal in Python: asked for one, it gives itself."""

    def __init__(self, value: float) -> None:
        self._value = value

    def __float__(self) -> float:
        return self._value

    def tolist(self) -> Any:
        return self


class Array:
    """Acts as an array of numpy's, or as one of its numbers or truth values."""

    def __init__(self, value: Any) -> None:
        self._value = value

    def tolist(self) -> Any:
        return self._value


class Plain(unittest.TestCase):
    def test_whatever_acts_as_a_number_or_an_array_is_sent_as_one(self) -> None:
        given: List[Any] = [Whole(3), Real(0.5), Array(2.5), Array(True), Array([1, 2, 3]), (Whole(1), Real(2.0)), range(3)]
        given.append(decimal.Decimal("0.1"))
        sent = [3, 0.5, 2.5, True, [1, 2, 3], [1, 2.0], [0, 1, 2], 0.1]
        self.assertEqual(json.dumps(plain(given, "it")), json.dumps(sent))

    def test_what_can_not_be_sent_is_named(self) -> None:
        for value in (float("nan"), Real(float("inf")), Array([1.0, float("nan")])):
            with self.assertRaisesRegex(ValueError, r"^hold_s(\[1\])? must be a finite number"):
                settled.methods.settle("bench", hold_s=value)  # type: ignore[arg-type]
        odd: Any = object()
        refused: List[Callable[[], object]] = [
            lambda: settled.methods.settle("bench", hold_s=odd),
            lambda: settled.methods.stage_show([1, 2, odd]),
            lambda: settled.methods.read("bench", integration_s=1j),  # type: ignore[arg-type]
            lambda: settled.methods.add_correction("c", meter=odd),
            lambda: settled.methods.observe("bench", interval_s=odd),
            lambda: settled.methods.log_readings(meter=odd),
        ]
        for name, ask in zip((r"hold_s", r"colour\[2\]", "integration_s", "meter", "interval_s", "meter"), refused):
            with self.assertRaisesRegex(TypeError, f"^{name}: "):
                ask()

    def test_the_daemons_words_are_turned_into_arguments(self) -> None:
        self.assertEqual(in_python("params.criteria.hold_s: odd"), "hold_s: odd")
        self.assertEqual(in_python("wait with params.wait_s, or so"), "wait with wait_s=, or so")
        self.assertEqual(in_python("say which with params.meter"), "say which with meter=")
        self.assertEqual(in_python("params.stimulus.colour[0]: odd"), "colour[0]: odd")
        self.assertEqual(in_python("no params here"), "no params here")


class Arguments(DaemonTest):
    def test_numbers_and_arrays_of_others_go_all_the_way(self) -> None:
        client = self.client()
        number: Any = Real(0.125)
        self.assertEqual(client.read("bench", integration_s=number).integration_s, 0.125)
        colour: Any = Array([512, 512, 512])
        client.stage_show(colour, window_percent=number)
        whole: Any = [Whole(1), Array(2), 3]
        before = client.stage_show(whole).before
        assert before is not None
        self.assertEqual((before.colour, before.window_percent), ((512, 512, 512), 0.125))
        limit: Any = Whole(1)
        self.assertEqual(len(list(client.log_readings(limit=limit))), 1)
        with self.assertRaisesRegex(ValueError, "^integration_s must be a finite number, not nan"):
            client.read("bench", integration_s=float("nan"))

    def test_a_meter_will_do_where_its_id_is_wanted(self) -> None:
        client = self.client()
        (meter,) = client.meters()
        with client.lease(meter) as lease:
            self.assertEqual(lease.meter, "bench")
            self.assertEqual(client.read(meter).meter, "bench")
            with client.observe(meter, interval_s=0) as observation:
                self.assertIn("bench", repr(observation))
        self.assertEqual([reading.meter for reading in client.log_readings(meter=meter, limit=1)], ["bench"])
        self.assertTrue(client.settle(meter, **EASY).is_settled)
        with self.assertRaisesRegex(TypeError, "^meter: Reading can't be sent"):
            client.read(client.read(meter))  # type: ignore[arg-type]

    def test_a_path_names_the_socket_and_what_does_not_leaves_none_open(self) -> None:
        with settled.Client(pathlib.Path(self.daemon.socket)) as client:
            client.meters()
        gc.collect()
        before = len(os.listdir("/proc/self/fd"))
        odd: Any
        for odd, error in ((7, TypeError), ("x" * 200, settled.NoDaemonError)):
            with self.assertRaises(error):
                settled.Client(odd)
        self.assertEqual(len(os.listdir("/proc/self/fd")), before)

    def test_arguments_that_do_not_fit_are_answered_with_those_there_are(self) -> None:
        client: Any = self.client()
        with self.assertRaisesRegex(TypeError, r"too many positional arguments.*read\(meter, \*, integration_s=None"):
            client.read("bench", 0.5)
        with self.assertRaisesRegex(TypeError, r"'hold'.*hold_s="):
            client.settle("bench", hold=3)
        with self.assertRaisesRegex(TypeError, "'meter'"):
            client.observe()

    def test_errors_speak_of_arguments_and_not_of_params(self) -> None:
        client, other = self.client(), self.client()
        with self.assertRaises(settled.InvalidParamsError) as wrong:
            client.settle("bench", hold_s=-3)
        with client.lease("bench"), self.assertRaises(settled.LeasedError) as leased:
            other.read("bench")
        for said in (wrong.exception.message, leased.exception.message):
            self.assertNotIn("params", said)
        self.assertTrue(wrong.exception.message.startswith("hold_s"), wrong.exception.message)
        self.assertIn("wait_s=", leased.exception.message)
        self.assertIn("with client.lease(", leased.exception.message)
