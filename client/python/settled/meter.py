"""Meters, and the daemon that has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, List, Literal, Optional, Tuple, Union

from .correction import InForce
from .moment import Moment
from .record import Record
from .shown import table


@dataclass(frozen=True)
class Span(Record):
    """From a smallest to a largest value."""

    min: float
    max: float


@dataclass(frozen=True)
class Instrument(Record):
    """What an instrument says of itself, or its profile on its behalf."""

    model: str
    kind: str
    quantities: Tuple[str, ...]
    serial: Optional[str] = None
    integration_s: Optional[Span] = None
    range: Optional[Span] = None
    resolution: Optional[float] = None


@dataclass(frozen=True)
class WarmUp(Record):
    """A meter's own warm-up: what it needs, and how long it has been open, in s."""

    needed_s: float
    elapsed_s: float


@dataclass(frozen=True)
class Zero(Record):
    """How a meter stands with its zero."""

    needed: bool
    at: Optional[Moment] = None
    due: Optional[Moment] = None
    due_within_k: Optional[float] = None
    why: Optional[str] = None
    refuses: bool = False


@dataclass(frozen=True)
class Holder(Record):
    """Who has a meter for itself, as everybody may know."""

    since: Moment
    expires_at: Moment
    client: Optional[str] = None
    pid: Optional[int] = None
    purpose: Optional[str] = None

    def __str__(self) -> str:
        who = self.client or (f"process {self.pid}" if self.pid is not None else "somebody")
        purpose = "" if self.purpose is None else f", for {self.purpose}"
        return f"by {who}{purpose}, until {self.expires_at:%H:%M:%S}Z unless renewed"


@dataclass(frozen=True)
class Meter(Record):
    """One configured meter, present or not. `state`: ready, reading, zeroing, warming, absent or failed."""

    id: str
    driver: str
    simulated: bool
    state: str
    faults: int
    replayed: bool = False
    address: Optional[str] = None
    reason: Optional[str] = None
    instrument: Optional[Instrument] = None
    warm_up: Optional[WarmUp] = None
    zero: Optional[Zero] = None
    correction: Optional[InForce] = None
    observer: Optional[str] = None
    bandwidth_nm: Optional[float] = None
    lease: Optional[Holder] = None

    def _rows(self) -> List[Tuple[str, str]]:
        rows = [("state", self.state if self.reason is None else f"{self.state}: {self.reason}")]
        if self.instrument is not None:
            rows.append(("instrument", self.instrument.model))
        if self.simulated or self.replayed:
            rows.append(("light", "replayed" if self.replayed else "simulated"))
        if self.zero is not None and self.zero.needed:
            rows.append(("zero", "needed"))
        if self.correction is not None:
            rows.append(("correction", f"{self.correction.id}, {self.correction.name}"))
        if self.lease is not None:
            rows.append(("leased", str(self.lease)))
        return rows

    def __str__(self) -> str:
        return f"{self.id}: " + ", ".join(text if name == "state" else f"{name} {text}" for name, text in self._rows())

    def _repr_html_(self) -> str:
        return table(self.id, self._rows())


#: A meter by its id, or as the daemon told it.
MeterId = Union[str, Meter]

#: What code values stand for: from 0 up, or as in television.
Range = Literal["full", "narrow"]

#: Whether a display is switched on.
Power = Literal["on", "off"]


@dataclass(frozen=True)
class Zeroed(Record):
    """When a meter was zeroed, and when the next is due."""

    meter: str
    at: Moment
    t_s: float
    due: Optional[Moment] = None
    due_within_k: Optional[float] = None
    temperature_c: Optional[float] = None


@dataclass(frozen=True)
class Stimulus(Record):
    """What a simulated display shows: code values R, G, B of a centred window, on a background.

    `range`: `full` or `narrow`, what the code values stand for. `power`: `off` where the display is switched off.
    """

    colour: Tuple[int, int, int]
    background: Tuple[int, int, int] = (0, 0, 0)
    bits: int = 10
    range: str = "full"
    window_percent: float = 10.0
    power: str = "on"


@dataclass(frozen=True)
class Shown(Record):
    """When a simulated display changed, what it showed until then, and where meters looked: None is the middle."""

    meter: str
    at: Moment
    t_s: float
    before: Optional[Stimulus] = None
    position_before: Optional[Tuple[float, float]] = None


@dataclass(frozen=True)
class Clock(Record):
    """The daemon's clock: `system`, or `simulated` and so many times as fast as real time."""

    kind: str
    speed: float


@dataclass(frozen=True)
class Hello(Record):
    """Who is there. `instance` differs from start to start of the daemon; `may` has the methods that a guest may call."""

    protocol: int
    daemon: str
    instance: str
    clock: Clock
    limits: Dict[str, Any]
    may: Optional[Tuple[str, ...]] = None


@dataclass(frozen=True)
class Queue(Record):
    """How busy a meter is: requests that wait, and exposures since the daemon started."""

    meter: str
    waiting: int
    exposures: int


@dataclass(frozen=True)
class LogRoom(Record):
    """Room that is left for the log: of its disk, or of its quota where that is less. `low`: one should see to it."""

    left_bytes: int
    low: bool
    quota_bytes: Optional[int] = None


@dataclass(frozen=True)
class LogStatus(Record):
    """How the log is. `id` is that of this log alone; `unlogged` counts readings that could not be logged."""

    writing: bool
    bytes: Optional[int] = None
    last_sequence: Optional[int] = None
    reason: Optional[str] = None
    id: Optional[str] = None
    room: Optional[LogRoom] = None
    unlogged: int = 0


@dataclass(frozen=True)
class RecordingStatus(Record):
    """How a recording of what passes on the meters' links is."""

    file: str
    bytes: int
    writing: bool
    reason: Optional[str] = None


@dataclass(frozen=True)
class Status(Record):
    """How the daemon is."""

    version: str
    uptime_s: float
    clients: int
    meters: Tuple[Queue, ...]
    log: LogStatus
    recording: Optional[RecordingStatus] = None

    def _rows(self) -> List[Tuple[str, str]]:
        rows = [("up for", f"{self.uptime_s:.0f} s"), ("clients", str(self.clients))]
        rows += [(meter.meter, f"{meter.waiting} waiting, {meter.exposures} exposures") for meter in self.meters]
        rows.append(("log", "written" if self.log.writing else f"not written: {self.log.reason or 'it is off'}"))
        if self.log.room is not None and self.log.room.low:
            rows.append(("log's room", f"low: {self.log.room.left_bytes} bytes left"))
        if self.recording is not None:
            rows.append(("recording", self.recording.file if self.recording.writing else f"ended: {self.recording.reason}"))
        return rows

    def __str__(self) -> str:
        return f"settled {self.version}: " + "; ".join(f"{name} {text}" for name, text in self._rows())

    def _repr_html_(self) -> str:
        return table(f"settled {self.version}", self._rows())
