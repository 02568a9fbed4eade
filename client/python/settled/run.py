"""Runs: measurements that belong to the daemon, and outlive the client that started them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, List, Optional, Tuple

from .meter import Stimulus
from .moment import Moment
from .reading import Chromaticity
from .record import Record
from .settling import Settled
from .shown import amount, table
from .statistics import Rate, Statistics


@dataclass(frozen=True)
class Nightly(Record):
    """Every day at one time of the daemon's own zone, so many nights in all; until it is stopped if `nights` is None."""

    at: str
    nights: Optional[int] = None


@dataclass(frozen=True)
class AlertRules(Record):
    """What to be alarmed at: a share of the luminance, a distance in u′v′, seconds without a reading."""

    luminance: Optional[float] = None
    chromaticity: Optional[float] = None
    lost_s: Optional[float] = None


@dataclass(frozen=True)
class RunPlan(Record):
    """What was asked for. `kind`: warm_up, stability or drift. `criteria` has the members of `settle`'s."""

    meter: str
    kind: str
    label: Optional[str] = None
    criteria: Optional[Dict[str, Any]] = None
    integration_s: Optional[float] = None
    interval_s: Optional[float] = None
    burst: Optional[int] = None
    duration_s: Optional[float] = None
    until: Optional[Moment] = None
    start: Optional[Moment] = None
    nightly: Optional[Nightly] = None
    stimulus: Optional[Stimulus] = None
    alert: Optional[AlertRules] = None


@dataclass(frozen=True)
class Alert(Record):
    """Something to be alarmed at, since when. `kind`: luminance, chromaticity, meter_lost, disk_low or log_failed."""

    kind: str
    at: Moment
    message: str

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M:%S}Z {self.kind}: {self.message}"


@dataclass(frozen=True)
class RunPoint(Record):
    """The light at some point of a run: the mean of `count` readings, in the middle of them."""

    at: Moment
    value: float
    count: int
    chromaticity: Optional[Chromaticity] = None


@dataclass(frozen=True)
class Finding(Record):
    """How one quantity of a stability or drift run stands against its band. `of`: luminance or chromaticity; `verdict`: within, beyond
    or undecided. `off` is how far it was or went, with half of its interval, as `found_by` says (reference, beginning, line or eighths):
    None where there are too few points."""

    of: str
    verdict: str
    band: float
    off: Optional[float] = None
    half: Optional[float] = None
    found_by: Optional[str] = None


@dataclass(frozen=True)
class Run(Record):
    """A run, and how it gets on. `state`: planned, running, done, stopped or failed. `statistics` only where one run was asked for."""

    run: int
    plan: RunPlan
    state: str
    created: Moment
    begins: Moment
    elapsed_s: float
    points: int
    readings: int
    missed: int
    gaps: int
    gap_s: float
    alerts: int
    flags: Tuple[str, ...]
    message: str
    ends: Optional[Moment] = None
    left_s: Optional[float] = None
    first: Optional[int] = None
    last: Optional[int] = None
    quantity: Optional[str] = None
    reference: Optional[RunPoint] = None
    latest: Optional[RunPoint] = None
    standing: Tuple[Alert, ...] = ()
    waiting: Optional[Dict[str, Any]] = None
    drift: Optional[Rate] = None
    verdict: Optional[str] = None
    findings: Tuple[Finding, ...] = ()
    settled: Optional[Settled] = None
    statistics: Optional[Statistics] = None
    night_of: Optional[int] = None

    @property
    def is_over(self) -> bool:
        """Whether it changes no more."""
        return self.state in ("done", "stopped", "failed")

    @property
    def is_good(self) -> bool:
        """Whether the light has settled, or stayed within its bands. Look at `alerts`, too."""
        return self.verdict in ("settled", "within")

    @property
    def unit(self) -> str:
        """The unit of `latest` and `reference`: cd/m², or lx."""
        return "lx" if self.quantity == "illuminance" else "cd/m²"

    def _rows(self) -> List[Tuple[str, str]]:
        rows = [("state", self.state), ("verdict", self.verdict or "none yet")]
        if self.latest is not None:
            rows.append(("latest", amount(self.latest.value, self.unit)))
        if self.drift is not None:
            rows.append(("drift", str(self.drift)))
        rows.append(("points", f"{self.points} of {self.readings} readings, {self.gaps} gaps, {self.missed} missed"))
        rows.append(("alerts", str(self.alerts)))
        rows += [("alert", str(alert)) for alert in self.standing]
        rows.append(("why", self.message))
        rows.append(("flags", ", ".join(self.flags) or "none"))
        return rows

    def _title(self) -> str:
        label = "" if self.plan.label is None else f", {self.plan.label}"
        return f"run {self.run}, {self.plan.kind} of {self.plan.meter}{label}"

    def __str__(self) -> str:
        verdict = "" if self.verdict is None else f", {self.verdict}"
        return f"{self._title()}: {self.state}{verdict}: {self.message}"

    def _repr_html_(self) -> str:
        return table(self._title(), self._rows())


@dataclass(frozen=True)
class RunChanged(Record):
    """A run as it is now, and what it is alarmed at since the last time."""

    run: Run
    alert: Optional[Alert] = None

    def __str__(self) -> str:
        return str(self.run) if self.alert is None else f"{self.run} ALERT: {self.alert}"
