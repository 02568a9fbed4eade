"""Errors: one class a kind. Catch the class, or look at `kind`; a kind of a later version is a plain SettledError."""

from __future__ import annotations

from typing import Any, Dict, Optional, Type

from .words import in_python


class SettledError(Exception):
    """Something was refused or failed. The message says what was wrong and what to do."""

    #: The kind that a class stands for.
    kind: str = "unknown"

    def __init__(
        self,
        message: str,
        *,
        kind: Optional[str] = None,
        meter: Optional[str] = None,
        retry_after_s: Optional[float] = None,
        code: Optional[int] = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        if kind is not None:
            self.kind = kind
        #: The meter it is about.
        self.meter = meter
        #: When trying again may help, in s.
        self.retry_after_s = retry_after_s
        #: The JSON-RPC code; None for what this side noticed itself.
        self.code = code

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        _CLASSES[cls.kind] = cls

    def __reduce__(self) -> Any:
        return (_again, (type(self), self.message, self.__dict__))


def _again(cls: Type[SettledError], message: str, members: Dict[str, Any]) -> SettledError:
    error = cls(message)
    error.__dict__.update(members)
    return error


_CLASSES: Dict[str, Type[SettledError]] = {}


def told(error: Any) -> SettledError:
    """The error that a JSON-RPC error object tells of. Whatever is odd about it, there is one."""
    members = _object(error)
    data = _object(members.get("data"))
    kind = _text(data.get("kind")) or "unknown"
    message = in_python(_text(members.get("message")) or f"an error without words: {error!r:.200}")
    if kind == LeaseLostError.kind and "restart" not in message:
        message += " (a restart of the daemon ends every lease, too)"
    retry_after_s, code = _number(data.get("retry_after_s")), _number(members.get("code"))
    return _CLASSES.get(kind, SettledError)(
        message,
        kind=kind,
        meter=_text(data.get("meter")),
        retry_after_s=retry_after_s,
        code=None if code is None else int(code),
    )


def _object(value: Any) -> Dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: Any) -> Optional[str]:
    return value if isinstance(value, str) else None


def _number(value: Any) -> Optional[float]:
    return float(value) if isinstance(value, (int, float)) and abs(value) < 1e15 else None


# What this side notices itself. These kinds are not on the wire.


class NoDaemonError(SettledError):
    """Nobody answers at the socket."""

    kind = "no_daemon"


class ConnectionLostError(SettledError):
    """The connection ended before there was an answer. The next call connects anew."""

    kind = "connection_lost"


class ClosedError(SettledError):
    """The client was closed, by `close` or the end of its block or of the program: make another one."""

    kind = "closed"


class ForkedError(SettledError):
    """The client, or the observation, was made before the process was forked: make one in each process."""

    kind = "forked"


class NotSettledError(SettledError):
    """The light has not settled; the message says why. `Settled.expect` raises it."""

    kind = "not_settled"


class BadAnswerError(SettledError):
    """What answers at the socket doesn't speak this protocol, or another version of it."""

    kind = "bad_answer"


class TimedOutError(SettledError, TimeoutError):
    """There was no answer within `timeout_s`. The request has been taken back."""

    kind = "timed_out"


# The daemon's own, in the order of PROTOCOL.md.


class ParseError(SettledError):
    """The daemon could not read a line as JSON."""

    kind = "parse_error"


class InvalidRequestError(SettledError):
    """Not a request as the protocol has them."""

    kind = "invalid_request"


class MethodNotFoundError(SettledError):
    """This daemon's version has no such method."""

    kind = "method_not_found"


class InvalidParamsError(SettledError):
    """The message names the member and what is expected."""

    kind = "invalid_params"


class InternalError(SettledError):
    """The daemon's own fault."""

    kind = "internal"


class NoSuchMeterError(SettledError):
    """The message lists the meters there are."""

    kind = "no_such_meter"


class MeterAbsentError(SettledError):
    """Plug it in; the daemon keeps looking."""

    kind = "meter_absent"


class MeterFailedError(SettledError):
    """The meter is attached but unusable."""

    kind = "meter_failed"


class MeterBusyError(SettledError):
    """Another program holds the meter's port."""

    kind = "meter_busy"


class MeterSilentError(SettledError):
    """The meter gave no answer in time."""

    kind = "meter_silent"


class MeterGarbledError(SettledError):
    """The meter's answer made no sense."""

    kind = "meter_garbled"


class MeterRefusedError(SettledError):
    """The meter answered with an error of its own, or isn't the one that the config means."""

    kind = "meter_refused"


class OutOfRangeError(SettledError):
    """Too little or too much light for the meter."""

    kind = "out_of_range"


class UnsupportedError(SettledError):
    """This meter, or this daemon, can't do that."""

    kind = "unsupported"


class CancelledError(SettledError):
    """The request was taken back."""

    kind = "cancelled"


class OverloadedError(SettledError):
    """A limit is reached; wait `retry_after_s` and try again."""

    kind = "overloaded"


class LogUnavailableError(SettledError):
    """The log is off, or can't be read or written."""

    kind = "log_unavailable"


class NotPermittedError(SettledError):
    """This client may not do that."""

    kind = "not_permitted"


class ShuttingDownError(SettledError):
    """The daemon is stopping."""

    kind = "shutting_down"


class ZeroNeededError(SettledError):
    """Cover the meter's aperture, then `zero`."""

    kind = "zero_needed"


class NoSuchCorrectionError(SettledError):
    """`corrections` has those there are."""

    kind = "no_such_correction"


class CorrectionRefusedError(SettledError):
    """The message says why the correction can't be made, used or removed."""

    kind = "correction_refused"


class LeasedError(SettledError):
    """Somebody else holds a lease on the meter. Wait with `wait_s`, or try again later."""

    kind = "leased"


class LeaseLostError(SettledError):
    """The lease is not in force any more: what was asked for under it was not done."""

    kind = "lease_lost"


class NoSuchRunError(SettledError):
    """`runs` has those there are."""

    kind = "no_such_run"


class RunRefusedError(SettledError):
    """The run is over, so that it can't be stopped; or it can't be started like that. The message says why."""

    kind = "run_refused"
