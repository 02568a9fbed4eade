"""The methods that ask the log: readings, events, bins, figures, copies. Both clients get theirs by way of `methods`."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Dict, Mapping, Optional, Union

from .call import Call, given
from .log import LARGEST_PAGE, Backup, Bin, Event, LogChecked, Pages
from .meter import MeterId
from .moment import written
from .reading import Reading
from .run import Run
from .statistics import Comparison, Statistics

#: A run by its number, or as the daemon told it.
RunNumber = Union[int, Run]

#: A stretch of the log: a run, or a mapping with some of `meter`, `run`, `since` and `until`.
Part = Union[RunNumber, Mapping[str, Any]]

When = Union[str, datetime, None]


def number(run: Optional[RunNumber]) -> Optional[int]:
    """A run's number."""
    return run.run if isinstance(run, Run) else run


def _selection(meter: Optional[MeterId], run: Optional[RunNumber], since: When, until: When) -> Dict[str, Any]:
    since, until = (None if moment is None else written(moment) for moment in (since, until))
    return given(meter=meter, run=number(run), since=since, until=until)


def _part(part: Part) -> Dict[str, Any]:
    if not isinstance(part, Mapping):
        return {"run": number(part)}
    known = ("meter", "run", "since", "until")
    unknown = [name for name in part if name not in known]
    if unknown:
        raise TypeError(f"a stretch of the log has {', '.join(known)}, and no {unknown[0]}")
    return _selection(*(part.get(name) for name in known))


def log_readings(
    *,
    meter: Optional[MeterId] = None,
    run: Optional[RunNumber] = None,
    since: When = None,
    until: When = None,
    after: Optional[int] = None,
    limit: Optional[int] = None,
    spectra: bool = False,
    timeout_s: Optional[float] = None,
) -> Pages[Reading]:
    """Readings from the log in rising order, fetched a page at a time as they are iterated over.

    `since` (inclusive) and `until` (exclusive) are moments with a time zone, or RFC 3339; `run` has those of a run alone; `after` is
    a sequence; `limit` is how many at most, all if left out.
    """
    params = {**_selection(meter, run, since, until), **given(after=after)}
    if spectra:
        params["spectra"] = True
    return Pages("log.readings", params, "readings", Reading, limit, LARGEST_PAGE, timeout_s)


def log_events(
    *,
    meter: Optional[MeterId] = None,
    run: Optional[RunNumber] = None,
    since: When = None,
    until: When = None,
    after: Optional[int] = None,
    limit: Optional[int] = None,
    timeout_s: Optional[float] = None,
) -> Pages[Event]:
    """What happened beside readings, from the log, as `log_readings` does it. Events are numbered apart from readings."""
    params = {**_selection(meter, run, since, until), **given(after=after)}
    return Pages("log.events", params, "events", Event, limit, LARGEST_PAGE, timeout_s)


def log_bins(
    *,
    meter: Optional[MeterId] = None,
    run: Optional[RunNumber] = None,
    every_s: Optional[float] = None,
    since: When = None,
    until: When = None,
    after: When = None,
    limit: Optional[int] = None,
    timeout_s: Optional[float] = None,
) -> Pages[Bin]:
    """A row for each `every_s` seconds (60 if left out) in which there were readings of a meter or a run: mean, range, spread.

    Fetched a page at a time, as `log_readings` does it. `after` is the beginning of a bin: only later ones.
    """
    params = {**_selection(meter, run, since, until), **given(every_s=every_s, after=None if after is None else written(after))}
    return Pages("log.bins", params, "bins", Bin, limit, LARGEST_PAGE, timeout_s)


def log_statistics(
    *,
    meter: Optional[MeterId] = None,
    run: Optional[RunNumber] = None,
    since: When = None,
    until: When = None,
    bin_s: Optional[float] = None,
    timeout_s: Optional[float] = None,
) -> Call[Statistics]:
    """What a stretch of the log comes to: mean, spread, drift with its interval, Allan deviation, day cycle.

    Of a `meter` or a `run`. `bin_s`: the length of the bins that the Allan deviation begins with; one that fits if left out.
    """
    params = {**_selection(meter, run, since, until), **given(bin_s=bin_s)}
    return Call("log.statistics", params, Statistics.read, timeout_s)


def log_compare(one: Part, other: Part, *, timeout_s: Optional[float] = None) -> Call[Comparison]:
    """One night against another. Each is a run or its number, or a mapping such as `{"meter": "bench", "since": …, "until": …}`."""
    return Call("log.compare", {"one": _part(one), "other": _part(other)}, Comparison.read, timeout_s)


def log_backup(*, timeout_s: Optional[float] = None) -> Call[Backup]:
    """Copies the log into a new file on the daemon's machine, while it goes on."""
    return Call("log.backup", {}, Backup.read, timeout_s)


def log_check(*, timeout_s: Optional[float] = None) -> Call[LogChecked]:
    """Looks through the whole log for damage, which takes a while."""
    return Call("log.check", {}, LogChecked.read, timeout_s)
