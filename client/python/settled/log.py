"""The log: events, bins, copies, and pages of whatever it lists."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Dict, Generic, List, Optional, Tuple, Type, TypeVar

from .call import Call
from .moment import Moment
from .plain import plain
from .reading import Chromaticity
from .record import Misfit, Record
from .shown import amount, table

#: Rows that one answer holds at most: the protocol's own bound, so that a client never holds more than this.
LARGEST_PAGE = 1000


@dataclass(frozen=True)
class Event(Record):
    """Something that happened beside readings. `kind` may be one of a later version."""

    sequence: int
    at: Moment
    t_s: float
    boot: str
    kind: str
    detail: str
    meter: Optional[str] = None
    run: Optional[int] = None

    def __str__(self) -> str:
        about = "" if self.meter is None else f"{self.meter}: "
        return f"{self.at:%Y-%m-%d %H:%M:%S}Z {self.kind}, {about}{self.detail}"

    def _repr_html_(self) -> str:
        rows = [("at", self.at.exact), ("kind", self.kind), ("meter", self.meter or "none"), ("detail", self.detail)]
        return table(f"event {self.sequence}", rows)


@dataclass(frozen=True)
class Bin(Record):
    """The readings of one span of time: how many, their mean, range and spread. `thinned`: the readings themselves are gone."""

    at: Moment
    span_s: float
    quantity: str
    count: int
    first: int
    last: int
    mean: float
    min: float
    max: float
    flags: Tuple[str, ...]
    sd: Optional[float] = None
    chromaticity: Optional[Chromaticity] = None
    temperature_c: Optional[float] = None
    observer: Optional[str] = None
    correction: Optional[str] = None
    thinned: bool = False

    @property
    def unit(self) -> str:
        """The unit of mean, range and spread: cd/m², or lx."""
        return "lx" if self.quantity == "illuminance" else "cd/m²"

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M:%S}Z, {self.span_s:g} s: {amount(self.mean, self.unit)} of {self.count} readings"


@dataclass(frozen=True)
class Backup(Record):
    """A copy of the log: its file on the daemon's machine, and up to which sequence it goes."""

    file: str
    bytes: int
    at: Moment
    last_sequence: Optional[int] = None


@dataclass(frozen=True)
class LogChecked(Record):
    """Whether the log is whole, and what is wrong with it, a sentence each."""

    sound: bool
    problems: Tuple[str, ...]
    readings: int
    events: int
    bins: int


@dataclass(frozen=True)
class PageAddress(Record):
    """Where the daemon's local page is to be had. The end of `address`, behind the #, is a password."""

    address: str
    port: int


R = TypeVar("R", bound=Record)


class Pages(Generic[R]):
    """Goes through a list of the daemon's, page by page: ask for `call`, hand the result to `take`, until `is_over`."""

    def __init__(
        self,
        method: str,
        params: Dict[str, Any],
        member: str,
        of: Type[R],
        limit: Optional[int],
        page: int,
        timeout_s: Optional[float],
        cursor: str = "after",
    ) -> None:
        limit = plain(limit, "limit")
        if limit is not None and limit < 0:
            raise ValueError(f"limit must not be negative, as {limit} is")
        self._method, self._params, self._member, self._of = method, plain(params, ""), member, of
        self._left, self._timeout_s = limit, timeout_s
        #: The param that says where the next page begins.
        self._cursor = cursor
        #: Rows that are asked for at once.
        self.page = page
        self.is_over = limit == 0

    def __repr__(self) -> str:
        about = ", ".join(f"{name}={value!r}" for name, value in self._params.items() if name != self._cursor)
        return f"<{self._method}({about}): iterate over it>"

    @property
    def call(self) -> "Call[List[R]]":
        """The call for the next page."""
        size = self.page if self._left is None else min(self.page, self._left)
        return Call(self._method, {**self._params, "limit": size}, self._take, self._timeout_s)

    def _take(self, told: Any) -> List[R]:
        rows = told.get(self._member) if isinstance(told, dict) else None
        if not isinstance(rows, list):
            raise Misfit(f"the result.{self._member} must be an array")
        records = [self._of.read(row, f"the result.{self._member}[{index}]") for index, row in enumerate(rows)]
        following = told.get("next")
        if self._left is not None:
            # Some pages may hold a few more than were asked for.
            records = records[: self._left]
            self._left -= len(records)
        # A page that leads nowhere would be asked for again and again.
        if following is not None and following == self._params.get(self._cursor):
            raise Misfit("the result.next must be further than the page before")
        self.is_over = following is None or (self._left is not None and self._left <= 0)
        self._params[self._cursor] = following
        return records
