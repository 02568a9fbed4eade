#!/usr/bin/env python3
"""A plugin for settled. Its instrument is made up: a text file that holds a luminance in cd/m², such as 93.5."""
import json, math, sys, time

class Fault(Exception):
    """Raised with a kind (gone, busy, denied, silent, garbled, below_range, above_range, unsupported, refused) and a message."""

def look():
    """Talk to your instrument here, instead. Light from before the call must not count."""
    try:
        with open(path) as file:
            luminance = float(file.read())
    except FileNotFoundError:
        raise Fault("gone", f"there is no {path}")
    except ValueError:
        raise Fault("garbled", f"{path} holds no number")
    if not math.isfinite(luminance):
        raise Fault("above_range", f"{path} holds {luminance}")
    return luminance

def hello(params):
    global path
    path = params["settings"].get("file", "light.txt")
    return {"protocol": 1}

def open_meter(params):
    look()  # What isn't there can't be opened.
    return {"model": "Made-up file meter", "kind": "photometer", "quantities": ["luminance"],
            "integration_s": {"min": 0.01, "max": 2}, "deadline_s": 2}

def measure(params):
    integration_s = params.get("integration_s", 0.1)
    time.sleep(integration_s)
    return {"luminance_cd_m2": look(), "integration_s": integration_s}

methods = {"hello": hello, "meter.open": open_meter, "meter.measure": measure}
for line in sys.stdin:  # It ends when the daemon lets go of the meter, or dies: then so must the plugin.
    request = json.loads(line)
    answer = {"jsonrpc": "2.0", "id": request["id"]}
    try:
        answer["result"] = methods[request["method"]](request["params"])
    except Exception as error:
        kind, message = error.args if isinstance(error, Fault) else ("refused", repr(error))
        answer["error"] = {"code": -32000, "message": message, "data": {"kind": kind}}
    print(json.dumps(answer), flush=True)
