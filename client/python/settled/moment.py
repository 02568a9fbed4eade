"""A moment on the wire: RFC 3339, UTC, to the nanosecond; here a `datetime`, with the exact text beside it."""

from __future__ import annotations

import re
from datetime import datetime, timezone
from typing import Any, Tuple, Union

_WRITTEN = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?Z\Z", re.ASCII)


class Moment(datetime):
    """A `datetime` in UTC, to the microsecond. `exact` is what the daemon wrote, to the nanosecond.

    Take spans from `t_s` of a reading, never from moments: UTC may be set in between.
    """

    _exact: str

    @classmethod
    def parse(cls, text: str) -> "Moment":
        """From RFC 3339 in UTC. Raises ValueError for anything else."""
        written = _WRITTEN.match(text)
        if written is None:
            raise ValueError(f"not a time in RFC 3339 and UTC: {text[:80]!r}")
        day, time, fraction = written.groups()
        moment = cls.fromisoformat(f"{day}T{time}.{(fraction or '').ljust(9, '0')[:6]}+00:00")
        moment._exact = text
        return moment

    @property
    def exact(self) -> str:
        """The text as the daemon wrote it; of a moment that was calculated, its own."""
        return getattr(self, "_exact", None) or _formatted(self)

    def __reduce_ex__(self, protocol: Any) -> Tuple[Any, ...]:
        return (Moment.parse, (self.exact,))


def written(moment: Union[str, datetime]) -> str:
    """A moment as the daemon reads it: text stays as it is, a `datetime` must know its time zone."""
    if isinstance(moment, str):
        return moment
    if isinstance(moment, Moment):
        return moment.exact
    if moment.tzinfo is None:
        raise ValueError("the time has no time zone: say datetime.now(timezone.utc), or .astimezone()")
    return _formatted(moment)


def _formatted(moment: datetime) -> str:
    return moment.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
