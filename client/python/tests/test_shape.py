"""What this package knows of the protocol is what openrpc.json says, member by member."""

from __future__ import annotations

import dataclasses
import inspect
import json
import pathlib
import unittest
from typing import Any, Dict, Set

from settled import correction, following, lease, log, meter, methods, reading, record, run, settling, statistics

PAGE: Any = json.loads((pathlib.Path(__file__).parents[3] / "protocol" / "openrpc.json").read_text())
SCHEMAS: Any = PAGE["components"]["schemas"]

#: Records that the protocol calls otherwise.
NAMES = {
    "Progress": "SettleProgress",
    "Stretch": "Readings",
    "Queue": "MeterQueue",
    "Clock": "ClockInfo",
    "Hello": "HelloResult",
    "Granted": "Lease",
    "PageAddress": "PageAddressed",
    "Rate": "Drift2",
    "Shift": "Difference2",
}


#: Arguments that are members of `nightly`.
INSIDE = {"at": "nightly", "nights": "nights"}


def members(schema: Any) -> Set[str]:
    """Every member that a schema names, those of its parts included."""
    if "$ref" in schema:
        return members(SCHEMAS[schema["$ref"].rsplit("/", 1)[1]])
    parts = [part for key in ("allOf", "anyOf", "oneOf") for part in schema.get(key, [])]
    return set(schema.get("properties", {})).union(*(members(part) for part in parts))


def records() -> Dict[str, Any]:
    """Every record of this package."""
    found = {}
    for module in (correction, following, lease, log, meter, reading, run, settling, statistics):
        for name, item in vars(module).items():
            if inspect.isclass(item) and issubclass(item, record.Record) and item.__module__ == module.__name__:
                found[name] = item
    return found


class Shape(unittest.TestCase):
    def test_every_record_has_the_members_that_the_protocol_gives_it(self) -> None:
        found = records()
        self.assertGreater(len(found), 55)
        for name, item in found.items():
            schema = NAMES.get(name, name)
            self.assertTrue(schema in SCHEMAS, f"{name} is not in openrpc.json")
            ours = {field.name for field in dataclasses.fields(item)}
            if name == "Missed":
                ours = {field.replace("_sequence", "") for field in ours} | {"subscription"}
            if name == "Progress":
                ours |= {"request"}
            if name == "RunChanged":
                ours |= {"subscription"}
            self.assertLessEqual(members(SCHEMAS[schema]), ours, name)

    def test_what_must_be_there_is_what_the_protocol_promises(self) -> None:
        for name, item in records().items():
            required = set(SCHEMAS[NAMES.get(name, name)].get("required", []))
            for field in dataclasses.fields(item):
                if field.default is dataclasses.MISSING:
                    self.assertIn(field.name, required, f"{name}.{field.name} may be absent")

    def test_every_method_takes_the_params_that_the_protocol_names(self) -> None:
        functions: Dict[str, Any] = {
            "hello": methods.hello,
            "daemon.status": methods.status,
            "meters.list": methods.meters,
            "meter.read": methods.read,
            "meter.settle": methods.settle,
            "meter.zero": methods.zero,
            "meter.correct": methods.correct,
            "meter.observe": methods.observe,
            "meter.lease": methods.take_lease,
            "corrections.add": methods.add_correction,
            "corrections.remove": methods.remove_correction,
            "corrections.list": methods.corrections,
            "log.readings": methods.log_readings,
            "log.events": methods.log_events,
            "log.bins": methods.log_bins,
            "log.statistics": methods.log_statistics,
            "log.compare": methods.log_compare,
            "log.backup": methods.log_backup,
            "log.check": methods.log_check,
            "page.address": methods.page_address,
            "runs.start": methods.start_run,
            "runs.list": methods.runs,
            "runs.show": methods.run,
            "runs.stop": methods.stop_run,
            "runs.observe": methods.observe_runs,
            "stage.show": methods.stage_show,
        }
        # These need no function: cancelling is the client's own business, and so is keeping a lease.
        within = {"meters.observe", "subscription.cancel", "request.cancel", "meter.renew", "meter.release"}
        self.assertEqual({method["name"] for method in PAGE["methods"]}, set(functions) | within)
        for method in PAGE["methods"]:
            if method["name"] in within:
                continue
            theirs: Set[str] = set()
            for param in method["params"]:
                parts = members(param["schema"]) if param["name"] in ("criteria", "stimulus") else set()
                if param["name"] in ("alert", "nightly"):
                    # Members that would have the names of others.
                    parts = {INSIDE.get(part, f"alert_{part}") for part in members(param["schema"])}
                theirs |= parts or {param["name"]}
            ours = set(inspect.signature(functions[method["name"]]).parameters) - {"timeout_s"}
            # The client adds these by itself; one correction alone is found by its id in the list.
            theirs -= {"lease", "protocol"}
            if method["name"] == "corrections.list":
                theirs -= {"correction"}
            if method["name"] == "log.events":
                theirs -= {"spectra"}
            self.assertEqual(ours, theirs, method["name"])
