"""What is shown of things: figures, words, tables, rows."""

from __future__ import annotations

import json
import pickle
import unittest

import settled
from settled.shown import figures

from .daemon import PATIENCE_S, DaemonTest, wait_until
from .test_strange_daemons import READING


class Figures(unittest.TestCase):
    def test_as_many_figures_are_shown_as_there_are(self) -> None:
        shown = [figures(value) for value in (100, 90.5, 0.1, 12345, 123456.0, 0, 99999.7, -2.5, float("inf"))]
        self.assertEqual(shown, ["100.00", "90.500", "0.10000", "12345", "123460", "0.0000", "100000", "-2.5000", "inf"])
        self.assertEqual([figures(value, 2) for value in (12, 0.5, 250)], ["12", "0.50", "250"])

    def test_a_reading_keeps_its_noughts_in_text_and_in_a_table(self) -> None:
        reading = settled.Reading.read({**READING, "luminance_cd_m2": 90})
        self.assertIn("90.000 cd/m²", str(reading))
        self.assertIn("90.000 cd/m²", reading._repr_html_())


class Shown(DaemonTest):
    def logged(self, client: settled.Client) -> None:
        """Waits for what is written beside everything else."""
        wait_until("the first event is written", lambda: list(client.log_events(limit=1)) != [])

    def test_a_reading_is_a_flat_row_that_json_takes(self) -> None:
        client = self.client()
        reading = client.read("bench")
        row = reading.as_dict()
        assert reading.xyz is not None and reading.chromaticity is not None
        self.assertEqual(json.loads(json.dumps(row, allow_nan=False)), row)
        self.assertEqual((row["X"], row["Y"], row["Z"]), reading.xyz)
        self.assertEqual((row["value"], row["unit"], row["x"]), (reading.luminance_cd_m2, "cd/m²", reading.chromaticity.x))
        self.assertEqual((row["v_prime"], row["flags"], row["at"]), (reading.chromaticity.v_prime, "simulated", reading.at.exact))
        bare = settled.Reading.read({**READING, "flags": ["dark", "shared"]}).as_dict()
        self.assertEqual((bare["X"], bare["u_prime"], bare["flags"]), (None, None, "dark shared"))
        self.assertEqual(list(bare), list(row))

    def test_clients_observations_and_lists_say_what_they_are(self) -> None:
        client = self.client(name="chart")
        self.assertIn("chart, open", repr(client))
        self.assertIn(self.daemon.socket, repr(client))
        with client.observe("bench") as observation:
            self.assertEqual(repr(observation), "<Observation of readings of bench, open>")
        self.assertIn("closed", repr(observation))
        client.read("bench")
        rows = client.log_readings(meter="bench")
        self.assertEqual(repr(rows), "<log.readings(meter='bench'): iterate over it>")
        self.assertEqual(len(list(rows)), 1)
        self.logged(client)
        self.assertEqual(next(client.log_events()).kind, "daemon_started")
        client.close()
        self.assertIn("closed", repr(client))

    def test_meters_events_and_the_daemon_are_shown_in_a_line_and_a_table(self) -> None:
        client = self.client(name="<chart>")
        with client.lease("bench", purpose="a grey scale"):
            (meter,) = client.meters()
        self.logged(client)
        event, status = next(client.log_events()), client.status()
        self.assertRegex(str(meter), r"^bench: ready.*simulated.*by <chart>, for a grey scale")
        self.assertRegex(str(event), "^2.*Z daemon_started, ")
        self.assertRegex(str(status), "^settled .*clients 1.*bench 0 waiting.*log written")
        for shown in (meter, event, status):
            self.assertTrue(shown._repr_html_().startswith("<table>"))
        self.assertNotIn("<chart>", meter._repr_html_())
        self.assertEqual(pickle.loads(pickle.dumps(meter)), meter)

    def test_what_has_not_settled_has_no_value_to_rely_on(self) -> None:
        client = self.client()
        with self.assertRaisesRegex(settled.NotSettledError, "^bench: "):
            client.settle("bench", luminance=0.0001, hold_s=1, max_wait_s=1).expect()
        result = client.settle("bench", luminance=0.2, chromaticity=0.02, hold_s=1, timeout_s=PATIENCE_S)
        self.assertEqual(result.expect(), result.value)
