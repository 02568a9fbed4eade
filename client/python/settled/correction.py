"""Corrections of filter colorimeters: a matrix, and all that one must know to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Tuple

from .moment import Moment
from .record import Record

#: Three rows of three numbers.
Matrix = Tuple[Tuple[float, float, float], Tuple[float, float, float], Tuple[float, float, float]]


@dataclass(frozen=True)
class Subject(Record):
    """One instrument, so that it is known again."""

    id: str
    model: Optional[str] = None
    serial: Optional[str] = None


@dataclass(frozen=True)
class Colour(Record):
    """One colour as both meters saw it: X, Y, Z."""

    name: str
    meter: Tuple[float, float, float]
    reference: Tuple[float, float, float]


@dataclass(frozen=True)
class Difference(Record):
    """How far an answer is from the reference."""

    dx: float
    dy: float
    duv_prime: float
    luminance_percent: float


@dataclass(frozen=True)
class Residual(Record):
    """The differences of one colour: without the correction, with it, with a matrix that has not seen the colour."""

    name: str
    fitted: bool
    before: Difference
    after: Difference
    unseen: Optional[Difference] = None


@dataclass(frozen=True)
class Summary(Record):
    """The mean and the largest of the differences of several colours."""

    colours: int
    mean: Difference
    max: Difference


@dataclass(frozen=True)
class Residuals(Record):
    """What a correction does to the colours it was made from. `unseen` is what a new colour can expect."""

    colours: Tuple[Residual, ...]
    before: Summary
    after: Summary
    worse: Tuple[str, ...]
    unseen: Optional[Summary] = None


@dataclass(frozen=True)
class Correction(Record):
    """A correction that the daemon knows. It never changes; it may be removed."""

    id: str
    name: str
    method: str
    matrix: Matrix
    meter: Subject
    at: Moment
    reference: Optional[Subject] = None
    display: Optional[str] = None
    colours: Tuple[Colour, ...] = ()
    residuals: Optional[Residuals] = None
    note: Optional[str] = None
    simulated: bool = False
    removed: Optional[Moment] = None


@dataclass(frozen=True)
class InForce(Record):
    """The correction that a meter's readings go through. Look at `applied` and `warnings`."""

    id: str
    name: str
    at: Moment
    since: Moment
    applied: bool
    warnings: Tuple[str, ...]
    display: Optional[str] = None
    shown: Optional[str] = None


@dataclass(frozen=True)
class Corrected(Record):
    """What `correct` did: what is in force now, and the id of what was."""

    meter: str
    durable: bool
    correction: Optional[InForce] = None
    before: Optional[str] = None


@dataclass(frozen=True)
class CorrectionChanged(Record):
    """The correction as it is now, and whether that outlives the daemon."""

    correction: Correction
    durable: bool
