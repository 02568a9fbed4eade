"""A reading: one exposure's light, and all that one must know to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, List, Optional, Tuple

from .moment import Moment
from .record import Record
from .shown import amount, table


@dataclass(frozen=True)
class Chromaticity(Record):
    """CIE 1931 x, y and CIE 1976 u′, v′ of one colour."""

    x: float
    y: float
    u_prime: float
    v_prime: float


@dataclass(frozen=True)
class Spectrum(Record):
    """What the light was made of, as the instrument gave it: W·sr⁻¹·m⁻²·nm⁻¹, or W·m⁻²·nm⁻¹ of an illuminance meter."""

    start_nm: float
    step_nm: float
    values: Tuple[float, ...]

    @property
    def wavelengths_nm(self) -> List[float]:
        """The wavelength of each value, in nm."""
        return [self.start_nm + index * self.step_nm for index in range(len(self.values))]


@dataclass(frozen=True)
class Reading(Record):
    """One exposure's result. Members carry their unit; what isn't known is None. PROTOCOL.md describes each."""

    sequence: int
    meter: str
    at: Moment
    t_s: float
    began_s: float
    boot: str
    flags: Tuple[str, ...]
    integration_s: Optional[float] = None
    luminance_cd_m2: Optional[float] = None
    illuminance_lx: Optional[float] = None
    xyz: Optional[Tuple[float, float, float]] = None
    chromaticity: Optional[Chromaticity] = None
    spectrum: Optional[Spectrum] = None
    observer: Optional[str] = None
    bandwidth_nm: Optional[float] = None
    correction: Optional[str] = None
    temperature_c: Optional[float] = None
    runs: Tuple[int, ...] = ()

    @property
    def value(self) -> Optional[float]:
        """The amount of light, in `unit`."""
        return self.illuminance_lx if self.luminance_cd_m2 is None else self.luminance_cd_m2

    @property
    def unit(self) -> str:
        """cd/m², or lx of an illuminance meter."""
        return "lx" if self.luminance_cd_m2 is None else "cd/m²"

    def as_dict(self) -> Dict[str, Any]:
        """All but the spectrum as one flat row, for CSV and tables: numbers, text and None, which JSON takes too.

        `value` is in `unit`, and so are `X`, `Y` and `Z`; `at` is RFC 3339 in UTC; `flags` are joined by spaces.
        """
        xyz = self.xyz or (None, None, None)
        colour = self.chromaticity
        return {
            "sequence": self.sequence,
            "meter": self.meter,
            "at": self.at.exact,
            "t_s": self.t_s,
            "began_s": self.began_s,
            "boot": self.boot,
            "integration_s": self.integration_s,
            "value": self.value,
            "unit": self.unit,
            **dict(zip("XYZ", xyz)),
            **{name: getattr(colour, name, None) for name in ("x", "y", "u_prime", "v_prime")},
            "temperature_c": self.temperature_c,
            "flags": " ".join(self.flags),
            "observer": self.observer,
            "bandwidth_nm": self.bandwidth_nm,
            "correction": self.correction,
        }

    def __str__(self) -> str:
        colour = "" if self.chromaticity is None else f", x {self.chromaticity.x:.4f} y {self.chromaticity.y:.4f}"
        flags = f" [{', '.join(self.flags)}]" if self.flags else ""
        return f"{self.meter} #{self.sequence}: {amount(self.value, self.unit)}{colour}{flags}"

    def _repr_html_(self) -> str:
        rows = [("light", amount(self.value, self.unit))]
        if self.chromaticity is not None:
            colour = self.chromaticity
            rows.append(("x, y", f"{colour.x:.4f}, {colour.y:.4f}"))
            rows.append(("u′, v′", f"{colour.u_prime:.4f}, {colour.v_prime:.4f}"))
        rows.append(("at", self.at.exact))
        rows.append(("flags", ", ".join(self.flags) or "none"))
        return table(f"{self.meter}, reading {self.sequence}", rows)
