"""The daemon's words for what it was asked, in the words of whoever calls it from Python."""

from __future__ import annotations

import re

#: Members of these are arguments of their own here; `meter.id` is `meter`.
_INSIDE = ("criteria.", "stimulus.")

_PARAM = re.compile(r"params\.([a-z_0-9]+(?:\.[a-z_0-9]+|\[\d+\])*)")

#: Arguments that are members of an object on the wire.
_NAMED = {"nightly.at": "nightly", "nightly.nights": "nights"}

#: What is said otherwise here, for there is another way to do it.
_SAID = (
    ("give params.lease if the lease is yours", "use the client that holds it, inside its `with client.lease(…)`"),
    ("params.criteria: ", ""),
    ("params.stimulus: ", ""),
    ("with meter.lease", "with `client.lease(…)`"),
)


def argument(path: str) -> str:
    """The argument that a param's path is about: `hold_s` of `criteria.hold_s`."""
    for inside in _INSIDE:
        if path.startswith(inside):
            path = path[len(inside) :]
    path = _NAMED.get(path, path).replace("alert.", "alert_")
    return path[:-3] if path.endswith(".id") else path


def in_python(message: str) -> str:
    """A message of the daemon's with `wait_s=` where it says `params.wait_s`."""
    for theirs, ours in _SAID:
        message = message.replace(theirs, ours)
    return _PARAM.sub(lambda found: argument(found[1]) + ("=" if found.start() else ""), message)
