"""Settled light readings from the daemon `settled`: `Client` waits, `settled.aio.Client` is for asyncio.

    with settled.Client() as client:
        print(client.read("bench"))
"""

from . import aio, methods
from .call import Call
from .client import Client
from .correction import Corrected, Correction, CorrectionChanged, InForce
from .errors import (
    BadAnswerError,
    CancelledError,
    ClosedError,
    ConnectionLostError,
    CorrectionRefusedError,
    ForkedError,
    InternalError,
    InvalidParamsError,
    InvalidRequestError,
    LeasedError,
    LeaseLostError,
    LogUnavailableError,
    MeterAbsentError,
    MeterBusyError,
    MeterFailedError,
    MeterGarbledError,
    MeterRefusedError,
    MeterSilentError,
    MethodNotFoundError,
    NoDaemonError,
    NoSuchCorrectionError,
    NoSuchMeterError,
    NotPermittedError,
    NotSettledError,
    OutOfRangeError,
    OverloadedError,
    ParseError,
    SettledError,
    ShuttingDownError,
    TimedOutError,
    UnsupportedError,
    ZeroNeededError,
)
from .following import Missed
from .lease import Lease
from .log import Event
from .meter import Hello, Instrument, Meter, Shown, Status, Stimulus, Zeroed
from .moment import Moment
from .observation import Observation
from .reading import Chromaticity, Reading, Spectrum
from .settling import Estimate, Evidence, Progress, Settled

__all__ = [
    "aio",
    "methods",
    "BadAnswerError",
    "CancelledError",
    "Call",
    "Chromaticity",
    "Client",
    "ClosedError",
    "ConnectionLostError",
    "Corrected",
    "Correction",
    "CorrectionChanged",
    "CorrectionRefusedError",
    "Estimate",
    "Event",
    "Evidence",
    "ForkedError",
    "Hello",
    "InForce",
    "Instrument",
    "InternalError",
    "InvalidParamsError",
    "InvalidRequestError",
    "Lease",
    "LeaseLostError",
    "LeasedError",
    "LogUnavailableError",
    "Meter",
    "MeterAbsentError",
    "MeterBusyError",
    "MeterFailedError",
    "MeterGarbledError",
    "MeterRefusedError",
    "MeterSilentError",
    "MethodNotFoundError",
    "Missed",
    "Moment",
    "NoDaemonError",
    "NoSuchCorrectionError",
    "NoSuchMeterError",
    "NotPermittedError",
    "NotSettledError",
    "Observation",
    "OutOfRangeError",
    "OverloadedError",
    "ParseError",
    "Progress",
    "Reading",
    "Settled",
    "SettledError",
    "Shown",
    "ShuttingDownError",
    "Spectrum",
    "Status",
    "Stimulus",
    "TimedOutError",
    "UnsupportedError",
    "ZeroNeededError",
    "Zeroed",
]
