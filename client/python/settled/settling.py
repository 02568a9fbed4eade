"""Settled light: the verdict, its value with its uncertainty, and the evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, Optional, Tuple

from .errors import NotSettledError
from .reading import Chromaticity
from .record import Record
from .shown import amount, figures, table


@dataclass(frozen=True)
class Estimate(Record):
    """A value with its 95 % interval: repeatability alone, the meter's calibration comes on top."""

    y: float
    y_u95: float
    y_standard: float
    coverage_factor: float
    degrees_of_freedom: float
    n_effective: float
    chromaticity: Optional[Chromaticity] = None
    chromaticity_u95: Optional[float] = None


@dataclass(frozen=True)
class Drift(Record):
    """A drift in bands: 1 is one band per hold. `interval` is the half-width at the confidence asked for."""

    bands_per_hold: float
    interval: float


@dataclass(frozen=True)
class Forecast(Record):
    """When the light is expected to settle, in s from the request's beginning: the median and the 95 % interval."""

    settles_at_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True)
class Moves(Record):
    """What moves: `who` is `display`, `meter` or `either`."""

    who: str
    zero_drift: Optional[Drift] = None


@dataclass(frozen=True)
class Compared(Record):
    """What a published rule found, and what the trend says beside it."""

    n: int
    over_s: float
    allowed: float
    met: bool
    variation: Optional[float] = None
    trend: Optional[str] = None
    trend_settled_s: Optional[float] = None


@dataclass(frozen=True)
class Evidence(Record):
    """What led to a verdict, or stands in its way: `failing` names the tests that still fail."""

    window_s: float
    n: int
    outliers: int
    steps: int
    failing: Tuple[str, ...]
    rule: str = "trend"
    compared: Optional[Compared] = None
    luminance_band: Optional[float] = None
    chromaticity_band: Optional[float] = None
    luminance_drift: Optional[Drift] = None
    chromaticity_drift: Optional[Drift] = None
    noise: Optional[float] = None
    autocorrelation: Optional[float] = None
    forecast: Optional[Forecast] = None
    moves: Optional[Moves] = None


@dataclass(frozen=True)
class Stretch(Record):
    """The readings that were looked at: how many, the first's sequence and the last's."""

    count: int
    first: int
    last: int


@dataclass(frozen=True)
class Settled(Record):
    """The answer of `settle`. `expect` gives the value of settled light; look at `is_settled` before you use `value` itself."""

    meter: str
    quantity: str
    verdict: str
    waited_s: float
    flags: Tuple[str, ...]
    evidence: Evidence
    message: str
    value: Optional[Estimate] = None
    readings: Optional[Stretch] = None
    observer: Optional[str] = None
    bandwidth_nm: Optional[float] = None
    correction: Optional[str] = None

    @property
    def is_settled(self) -> bool:
        """Whether the verdict is `settled`, and no other."""
        return self.verdict == "settled"

    def expect(self) -> Estimate:
        """The value. Raises NotSettledError, which says why, if the light has not settled."""
        if self.value is None or not self.is_settled:
            raise NotSettledError(f"{self.meter}: {self.verdict}: {self.message}", meter=self.meter)
        return self.value

    @property
    def unit(self) -> str:
        """The unit of `value`: cd/m², or lx."""
        return "lx" if self.quantity == "illuminance" else "cd/m²"

    def __str__(self) -> str:
        flags = f" [{', '.join(self.flags)}]" if self.flags else ""
        return f"{self.meter}: {self.verdict}, {self._value()}{flags}"

    def _value(self) -> str:
        if self.value is None:
            return "no value"
        return f"{amount(self.value.y, self.unit)} ± {figures(self.value.y_u95, 2)}"

    def _repr_html_(self) -> str:
        rows = [("verdict", self.verdict), ("value", self._value()), ("why", self.message)]
        rows.append(("flags", ", ".join(self.flags) or "none"))
        return table(f"{self.meter}, after {self.waited_s:.0f} s", rows)


@dataclass(frozen=True)
class Progress(Record):
    """How a `settle` is getting on. `waiting` says what keeps the meter from giving readings at present."""

    waited_s: float
    count: int
    latest: float
    evidence: Evidence
    value: Optional[Estimate] = None
    waiting: Optional[Dict[str, Any]] = None
