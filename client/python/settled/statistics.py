"""What a stretch of the log comes to: mean and spread, drift, Allan deviation, day cycle, and one night against another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import List, Optional, Tuple

from .moment import Moment
from .record import Record
from .shown import amount, figures, table


@dataclass(frozen=True)
class Rate(Record):
    """A drift an hour, with the interval that holds it with 95 %. `caution` says why that should not be trusted, if so."""

    per_h: float
    low_per_h: float
    high_per_h: float
    caution: Optional[str] = None

    def __str__(self) -> str:
        return f"{self.per_h:+.3g} an hour ({self.low_per_h:+.3g} to {self.high_per_h:+.3g})"


@dataclass(frozen=True)
class DayCycle(Record):
    """A sine of a day's length: its amplitude with its interval, and the UTC hour of its crest."""

    amplitude: float
    low: float
    high: float
    crest_h: float


@dataclass(frozen=True)
class Deviation(Record):
    """Overlapping Allan deviation at one averaging time, with its interval. `noise`: phase, white, flicker, random_walk or drift."""

    tau_s: float
    deviation: float
    low: float
    high: float
    count: int
    noise: str


@dataclass(frozen=True)
class Series(Record):
    """Figures of one quantity, in its unit. `uncertainty` is the standard one of the mean, with the autocorrelation counted."""

    count: int
    mean: float
    min: float
    max: float
    sd: Optional[float] = None
    uncertainty: Optional[float] = None
    drift: Optional[Rate] = None
    day: Optional[DayCycle] = None
    allan: Tuple[Deviation, ...] = ()


@dataclass(frozen=True)
class WithTemperature(Record):
    """How a quantity goes with the meter's temperature. That it does so doesn't say which moves which."""

    correlation: float
    low: float
    high: float
    per_k: float


@dataclass(frozen=True)
class Statistics(Record):
    """What a stretch of the log comes to. `value` is luminance in cd/m², or illuminance in lx."""

    meter: str
    quantity: str
    count: int
    thinned: int
    first: int
    last: int
    since: Moment
    until: Moment
    span_s: float
    gaps: int
    gap_s: float
    bin_s: float
    value: Series
    flags: Tuple[str, ...]
    corrections: Tuple[str, ...]
    message: str
    observer: Optional[str] = None
    u_prime: Optional[Series] = None
    v_prime: Optional[Series] = None
    temperature_c: Optional[Series] = None
    with_temperature: Optional[WithTemperature] = None

    @property
    def unit(self) -> str:
        """The unit of `value`: cd/m², or lx."""
        return "lx" if self.quantity == "illuminance" else "cd/m²"

    def _rows(self) -> List[Tuple[str, str]]:
        mean = amount(self.value.mean, self.unit)
        if self.value.uncertainty is not None:
            mean += f" ± {figures(self.value.uncertainty, 2)} (standard)"
        rows = [("mean", mean), ("range", f"{figures(self.value.min)} to {amount(self.value.max, self.unit)}")]
        if self.value.sd is not None:
            rows.append(("standard deviation", figures(self.value.sd, 2)))
        if self.value.drift is not None:
            rows.append(("drift", str(self.value.drift)))
        rows.append(("readings", f"{self.count}, with {self.gaps} gaps"))
        rows.append(("flags", ", ".join(self.flags) or "none"))
        return rows

    def __str__(self) -> str:
        return f"{self.meter}: {self.message}"

    def _repr_html_(self) -> str:
        return table(f"{self.meter}, {self.since:%Y-%m-%d %H:%M} to {self.until:%Y-%m-%d %H:%M}", self._rows())


@dataclass(frozen=True)
class Shift(Record):
    """A difference, the other less the one, with the interval that holds it with 95 %. `differs`: that leaves out 0."""

    value: float
    low: float
    high: float
    differs: bool


@dataclass(frozen=True)
class Comparison(Record):
    """One night against another: the other less the one."""

    one: Statistics
    other: Statistics
    message: str
    mean: Optional[Shift] = None
    u_prime: Optional[Shift] = None
    v_prime: Optional[Shift] = None
    drift_per_h: Optional[Shift] = None

    def __str__(self) -> str:
        return self.message
