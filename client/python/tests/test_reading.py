"""Readings, settled light, the log, corrections, the stage: what comes back is what the daemon told."""

from __future__ import annotations

import copy
import inspect
import pickle
import socket
import json
from datetime import datetime, timedelta, timezone
from typing import Any, List

import settled
from settled.meter import Clock

from .daemon import CONFIG, EASY, DaemonTest, sequences


class Reading(DaemonTest):
    def test_a_reading_has_its_light_its_time_to_the_nanosecond_and_its_flags(self) -> None:
        before = datetime.now(timezone.utc)
        reading = self.client().read("bench", integration_s=0.1)
        assert reading.luminance_cd_m2 is not None and reading.xyz is not None and reading.chromaticity is not None
        self.assertEqual(reading.value, reading.luminance_cd_m2)
        self.assertEqual(reading.xyz[1], reading.luminance_cd_m2)
        self.assertEqual((reading.unit, reading.integration_s), ("cd/m²", 0.1))
        self.assertIsNone(reading.illuminance_lx)
        self.assertIsNone(reading.spectrum)
        self.assertIn("simulated", reading.flags)
        self.assertTrue(before - timedelta(seconds=1) < reading.at < datetime.now(timezone.utc) + timedelta(seconds=1))
        self.assertRegex(reading.at.exact, r"T\d\d:\d\d:\d\d\.\d{9}Z$")
        self.assertAlmostEqual(reading.t_s - reading.began_s, 0.1, places=1)

    def test_what_came_over_the_socket_is_what_is_in_the_reading(self) -> None:
        reading = self.client().read("bench")
        with socket.socket(socket.AF_UNIX) as plain:
            plain.connect(self.daemon.socket)
            plain.sendall(b'{"jsonrpc":"2.0","id":1,"method":"log.readings","params":{}}\n')
            told = json.loads(plain.makefile("rb").readline())["result"]["readings"][0]
        self.assertEqual(reading.at.exact, told["at"])
        self.assertEqual(list(reading.xyz or ()), told["xyz"])
        for name in ("sequence", "t_s", "began_s", "boot", "luminance_cd_m2", "temperature_c"):
            self.assertEqual(getattr(reading, name), told.get(name), name)

    def test_a_reading_is_shown_in_a_notebook_and_can_be_copied_and_pickled(self) -> None:
        reading = self.client().read("bench")
        self.assertIn("cd/m²", str(reading))
        self.assertIn("cd/m²", reading._repr_html_())
        for again in (pickle.loads(pickle.dumps(reading)), copy.deepcopy(reading)):
            self.assertEqual(again, reading)
            self.assertEqual(again.at.exact, reading.at.exact)

    def test_a_settled_reading_has_its_value_with_its_interval_and_its_reasons(self) -> None:
        reports: List[settled.Progress] = []
        result = self.client().settle("bench", progress=reports.append, **EASY)
        self.assertTrue(result.is_settled, result.message)
        assert result.value is not None and result.readings is not None
        self.assertGreater(result.value.y, 100)
        self.assertGreater(result.value.y_u95, 0)
        self.assertEqual(result.evidence.failing, ())
        self.assertGreaterEqual(result.readings.count, result.evidence.n)
        self.assertTrue(reports and all(report.count > 0 for report in reports))
        self.assertEqual([report.count for report in reports], sorted(report.count for report in reports))
        self.assertIn("settled", result._repr_html_())

    def test_the_log_is_gone_through_page_by_page(self) -> None:
        client = self.client()
        taken = [client.read("bench").sequence for _ in range(7)]
        self.assertEqual(sequences(list(client.log_readings())), taken)
        pages = settled.methods.log_readings(meter="bench")
        pages.page = 3
        self.assertEqual(sequences(list(client._every(pages))), taken)
        self.assertEqual(sequences(list(client.log_readings(after=taken[2], limit=2))), taken[3:5])
        moments = [reading.at for reading in client.log_readings()]
        self.assertEqual(sequences(list(client.log_readings(since=moments[5]))), taken[5:])
        self.assertEqual(sequences(list(client.log_readings(until=moments[2].exact))), taken[:2])
        self.assertEqual(list(client.log_readings(limit=0)), [])
        kinds = [event.kind for event in client.log_events()]
        self.assertEqual(kinds[0], "daemon_started")
        with self.assertRaisesRegex(ValueError, "time zone"):
            client.log_readings(since=datetime(2026, 11, 27))

    def test_meters_status_and_hello_tell_how_things_are(self) -> None:
        client = self.client(name="tests")
        [meter] = client.meters()
        assert meter.instrument is not None and meter.instrument.integration_s is not None
        self.assertEqual((meter.id, meter.simulated, meter.instrument.integration_s.max), ("bench", True, 2.0))
        client.read("bench")
        status = client.status()
        self.assertEqual((status.meters[0].exposures, status.log.last_sequence), (1, 1))
        self.assertEqual(client.hello().clock, Clock("system", 1.0))

    def test_a_correction_is_made_put_in_force_and_taken_out_again(self) -> None:
        client = self.client()
        matrix: Any = ((1.02, -0.01, 0.0), (0.0, 0.99, 0.0), (0.0, 0.01, 1.05))
        made = client.add_correction("by hand", meter="bench", matrix=matrix, display="Field monitor 4").correction
        self.assertEqual(made.matrix, matrix)
        self.assertEqual(client.read("bench").correction, None)
        in_force = client.correct("bench", made.id, display="Field monitor 5").correction
        assert in_force is not None
        self.assertEqual((in_force.applied, in_force.warnings), (True, ("other_display",)))
        self.assertEqual(client.read("bench").correction, made.id)
        with self.assertRaises(settled.CorrectionRefusedError):
            client.remove_correction(made.id)
        self.assertEqual(client.correct("bench", None).before, made.id)
        client.remove_correction(made.id)
        self.assertEqual(list(client.corrections()), [])
        [removed] = client.corrections(removed=True)
        self.assertIsNotNone(removed.removed)

    def test_a_stimulus_is_shown_and_zeroing_is_told_when_it_was(self) -> None:
        client = self.client()
        shown = client.stage_show([0, 0, 0])
        assert shown.before is not None
        self.assertEqual(shown.before.colour, (1023, 1023, 1023))
        dark = client.read("bench")
        self.assertLess(dark.luminance_cd_m2 or 0.0, 1)
        self.assertEqual(client.zero("bench", covered=True).meter, "bench")
        self.assertIn("dark", client.read("bench", covered=True).flags)

    def test_every_method_says_what_it_takes(self) -> None:
        client = self.client()
        for name in ("read", "settle", "observe", "log_readings", "zero", "stage_show"):
            method = getattr(client, name)
            self.assertTrue(inspect.getdoc(method), name)
            self.assertNotIn("self", inspect.signature(method).parameters)
            self.assertNotIn("Call[", str(inspect.signature(method)))


class Spectrum(DaemonTest):
    config = CONFIG + '[[meter]]\nid = "spectral"\ndriver = "simulated"\nmeter = "spectrometer"\nlooks_at = "bench"\n'

    def test_a_spectrum_comes_back_from_the_log_to_the_last_bit(self) -> None:
        client = self.client()
        spectrum = client.read("spectral").spectrum
        assert spectrum is not None
        self.assertEqual(len(spectrum.values), 401)
        self.assertEqual((spectrum.wavelengths_nm[0], spectrum.wavelengths_nm[-1]), (380.0, 780.0))
        self.assertEqual([reading.spectrum for reading in client.log_readings(spectra=True)], [spectrum])
        self.assertEqual([reading.spectrum for reading in client.log_readings()], [None])


class Rehearsal(DaemonTest):
    # A quick look takes half a minute and more by the daemon's clock.
    config = "[clock]\nspeed = 20\n" + CONFIG

    def test_a_rule_that_is_named_decides(self) -> None:
        self.assertEqual(self.client().hello().clock.speed, 20.0)
        result = self.client().settle("bench", preset="quick_look", max_wait_s=90, timeout_s=60)
        self.assertEqual(result.evidence.rule, "quick_look")
        assert result.evidence.compared is not None
        self.assertEqual(result.evidence.compared.allowed, 2.0)
