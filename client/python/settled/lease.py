"""Leases: exclusive use of a meter for a while. What is sent under one carries its token. No I/O here."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import Any, Dict, List, Mapping, Optional

from .call import Call
from .errors import LeasedError, LeaseLostError, SettledError
from .moment import Moment
from .record import Misfit, Record

#: Names leases that the program may use: `bench=TOKEN[,other=TOKEN]`.
VARIABLE = "SETTLED_LEASE"

#: A lease is renewed when this share of its time is over.
RENEWED_AT = 1 / 3

#: How long the daemon may take to take a lease back, in s. It does so at once; after that its time to live ends it.
RELEASED_WITHIN_S = 5.0

#: Methods that go by a lease on any meter that looks at the same display. Which do, the daemon knows.
SEVERAL = ("stage.show",)

#: Methods that are answered at once, and must not wait for others of this client.
AT_ONCE = ("meter.renew", "meter.release")


@dataclass(frozen=True)
class Granted(Record):
    """A lease as the daemon granted it. `lease` is its token: whoever knows it may use the meter, so it isn't shown."""

    lease: str = field(repr=False)
    meter: str
    ttl_s: float
    expires_at: Moment
    expires_t_s: float


def _nothing(told: Any) -> None:
    if not isinstance(told, dict):
        raise Misfit("the result must be an object")


class Lease:
    """A lease that is held, as long as it isn't lost."""

    def __init__(self, meter: str, token: str, ttl_s: Optional[float] = None) -> None:
        #: The meter's id.
        self.meter = meter
        #: Its token, for programs that are to use the meter too.
        self.token = token
        #: Its time to live, in s; None for one from the environment, which others renew.
        self.ttl_s = ttl_s
        self._lost: Optional[SettledError] = None

    @property
    def is_lost(self) -> bool:
        """Whether it is known to be lost."""
        return self._lost is not None

    def check(self) -> None:
        """Raises LeaseLostError if the lease is known to be lost."""
        if self._lost is not None:
            message = f"the lease on {self.meter} was lost: {self._lost.message}"
            raise LeaseLostError(message, meter=self.meter) from self._lost

    def lose(self, why: SettledError) -> None:
        """It isn't in force any more; the first reason counts."""
        self._lost = self._lost or why

    def renew_in_s(self, speed: float) -> float:
        """How long to wait until it is renewed, in s of this side, where the daemon's clock goes so many times as fast."""
        return (self.ttl_s or 0.0) * RENEWED_AT / speed

    def renewal(self, speed: float) -> Call[Granted]:
        """The call that renews it. It has until the lease's end to be answered."""
        left_s = (self.ttl_s or 0.0) * (1 - RENEWED_AT) / speed
        return Call("meter.renew", {"lease": self.token}, Granted.read, left_s)

    def release(self) -> Call[None]:
        """The call that gives it back."""
        return Call("meter.release", {"lease": self.token}, _nothing, RELEASED_WITHIN_S)

    def __repr__(self) -> str:
        # The token is as good as the lease: it doesn't belong in a notebook that is passed on.
        return f"Lease(meter={self.meter!r}, ttl_s={self.ttl_s!r}, is_lost={self.is_lost!r})"


class Attempt:
    """A call as it goes along with leases: one after another, where it isn't known which of them counts."""

    def __init__(self, offers: List[Optional[Lease]], held: List[Lease]) -> None:
        self._offers, self._held = offers, held
        self._first: Optional[SettledError] = None

    @property
    def params(self) -> Dict[str, str]:
        """What goes along now."""
        lease = self._offers[0]
        return {} if lease is None else {"lease": lease.token}

    def failed(self, error: SettledError) -> None:
        """It came to this. Raises it, unless there is another lease to try."""
        lease = self._offers.pop(0)
        self._first = self._first or error
        if lease is None:
            if not (isinstance(error, LeasedError) and self._offers):
                raise error
            return
        if not isinstance(error, LeaseLostError):
            raise error
        if error.meter in (None, lease.meter):
            lease.lose(error)
            raise error
        if self._offers:
            return
        if isinstance(self._first, LeasedError):
            raise self._first
        names = ", ".join(held.meter for held in self._held)
        message = f"of the leases held here (on {names}) none is in force on {error.meter}: say with meter= which meter you mean"
        raise LeaseLostError(message, meter=error.meter) from error


class Leases:
    """The leases that a client holds, by meter."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._held: Dict[str, Lease] = {}
        for part in filter(None, environment.get(VARIABLE, "").split(",")):
            meter, equals, token = part.strip().partition("=")
            if not (meter and equals and token):
                # What stands there may be a token, and isn't quoted.
                raise ValueError(f"{VARIABLE} must read METER=TOKEN[,METER=TOKEN…]")
            self._held[meter] = Lease(meter, token)

    def on(self, meter: str) -> Optional[Lease]:
        """The lease on a meter, if one is held."""
        return self._held.get(meter)

    def add(self, lease: Lease) -> None:
        """From now on requests carry its token."""
        self._held[lease.meter] = lease

    def remove(self, lease: Lease) -> None:
        """From now on they don't."""
        if self._held.get(lease.meter) is lease:
            del self._held[lease.meter]

    def attempt(self, call: Call[Any]) -> Attempt:
        """What goes along with a call. Raises LeaseLostError where the lease is known to be lost: nothing is sent then."""
        if not call.takes_lease:
            return Attempt([None], [])
        meter = call.params.get("meter")
        own = None if meter is None else self._held.get(meter)
        if own is not None:
            own.check()
            return Attempt([own], [own])
        if call.method not in SEVERAL:
            return Attempt([None], [])
        held = list(self._held.values())
        if meter is not None:
            return Attempt([None, *(lease for lease in held if not lease.is_lost)], held)
        for lease in held:
            lease.check()
        return Attempt([*held] or [None], held)
