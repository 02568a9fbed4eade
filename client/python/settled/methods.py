"""Every method of the protocol, written once: both clients get theirs from here, with these words and these params.

Each takes `timeout_s`: how long to wait for the answer, in s of this side's clock; every other time is the daemon's. After that the
request is taken back and TimedOutError raised. Numbers may be numpy's; where a meter's id is wanted, a Meter will do.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Callable, Dict, List, Optional, Sequence, Type, TypeVar, Union

from .call import Call, given
from .correction import Corrected, Correction, CorrectionChanged, Matrix
from .lease import Granted
from .log import PageAddress, Pages
from .log_methods import log_backup as log_backup
from .log_methods import log_bins as log_bins
from .log_methods import log_check as log_check
from .log_methods import log_compare as log_compare
from .log_methods import log_events as log_events
from .log_methods import log_readings as log_readings
from .log_methods import log_statistics as log_statistics
from .meter import Hello, Meter, Shown, Status, Zeroed
from .meter import MeterId as MeterId
from .meter import Power, Range
from .moment import written
from .plain import plain
from .reading import Reading
from .record import Misfit, Record
from .run_methods import Preset as Preset
from .run_methods import observe_runs as observe_runs
from .run_methods import run as run
from .run_methods import runs as runs
from .run_methods import start_run as start_run
from .run_methods import stop_run as stop_run
from .settling import Progress, Settled

R = TypeVar("R", bound=Record)

#: A correction by its id, or as the daemon told it.
CorrectionId = Union[str, Correction]

#: The version of the protocol that this package speaks.
VERSION = 1

#: Corrections that one answer holds at most.
LARGEST_CORRECTIONS_PAGE = 50


def _list(member: str, of: Type[R]) -> Callable[[Any], List[R]]:
    def read(told: Any) -> List[R]:
        rows = told.get(member) if isinstance(told, dict) else None
        if not isinstance(rows, list):
            raise Misfit(f"the result.{member} must be an array")
        return [of.read(row, f"the result.{member}[{index}]") for index, row in enumerate(rows)]

    return read


def hello(client: Optional[str] = None, *, timeout_s: Optional[float] = None) -> Call[Hello]:
    """Who is there: versions, clock and limits. A client says it by itself when it connects."""
    return Call("hello", given(client=client, protocol=[VERSION]), Hello.read, timeout_s)


def status(*, timeout_s: Optional[float] = None) -> Call[Status]:
    """How the daemon is: uptime, clients, queues, log, recording."""
    return Call("daemon.status", {}, Status.read, timeout_s)


def page_address(*, timeout_s: Optional[float] = None) -> Call[PageAddress]:
    """Where the daemon's local page is to be had, if its config wants one. The address is a password."""
    return Call("page.address", {}, PageAddress.read, timeout_s)


def meters(*, timeout_s: Optional[float] = None) -> Call[List[Meter]]:
    """Every configured meter, present or not."""
    return Call("meters.list", {}, _list("meters", Meter), timeout_s)


def read(
    meter: MeterId,
    *,
    integration_s: Optional[float] = None,
    max_age_s: Optional[float] = None,
    covered: Optional[bool] = None,
    wait_s: Optional[float] = None,
    timeout_s: Optional[float] = None,
) -> Call[Reading]:
    """One reading, from an exposure that began after the request arrived.

    `integration_s`: the meter's own choice if left out. `max_age_s`: a reading whose exposure began no longer ago will do.
    `covered`: True for a dark reading, with the aperture covered. `wait_s`: how long to wait while somebody else has a lease.
    """
    params = given(meter=meter, integration_s=integration_s, max_age_s=max_age_s, covered=covered, wait_s=wait_s)
    return Call("meter.read", params, Reading.read, timeout_s, takes_lease=True)


def settle(
    meter: MeterId,
    *,
    luminance: Optional[float] = None,
    luminance_floor_cd_m2: Optional[float] = None,
    chromaticity: Optional[float] = None,
    chromaticity_knee_cd_m2: Optional[float] = None,
    hold_s: Optional[float] = None,
    confidence: Optional[float] = None,
    min_wait_s: Optional[float] = None,
    max_wait_s: Optional[float] = None,
    preset: Optional[Preset] = None,
    integration_s: Optional[float] = None,
    wait_s: Optional[float] = None,
    progress: Optional[Callable[[Progress], None]] = None,
    timeout_s: Optional[float] = None,
) -> Call[Settled]:
    """Waits until the light has settled, and says how sure that is. Look at `is_settled` before using the value.

    `luminance`: relative band (0.005 is ±0.5 %). `chromaticity`: band in u′v′. `hold_s`: how long the light must stay
    within its bands. `max_wait_s`: then it gives up with the best value so far. `preset`: a published rule decides:
    `ies_lm_79`, `cie_s_025`, `quick_look`. PROTOCOL.md has the defaults.
    `progress` is called with a Progress now and then, by whoever waits; only the latest waits for it.
    """
    criteria = given(
        luminance=luminance,
        luminance_floor_cd_m2=luminance_floor_cd_m2,
        chromaticity=chromaticity,
        chromaticity_knee_cd_m2=chromaticity_knee_cd_m2,
        hold_s=hold_s,
        confidence=confidence,
        min_wait_s=min_wait_s,
        max_wait_s=max_wait_s,
        preset=preset,
    )
    params = given(meter=meter, criteria=criteria or None, integration_s=integration_s, wait_s=wait_s)
    if progress is not None:
        params["progress"] = True
    return Call("meter.settle", params, Settled.read, timeout_s, progress=progress, takes_lease=True)


def zero(
    meter: MeterId, *, covered: bool, wait_s: Optional[float] = None, timeout_s: Optional[float] = None
) -> Call[Zeroed]:
    """Lets a meter measure its own offset. `covered` must be True: no light gets in."""
    params = given(meter=meter, covered=covered, wait_s=wait_s)
    return Call("meter.zero", params, Zeroed.read, timeout_s, takes_lease=True)


def correct(
    meter: MeterId,
    correction: Optional[CorrectionId],
    *,
    display: Optional[str] = None,
    force: Optional[bool] = None,
    timeout_s: Optional[float] = None,
) -> Call[Corrected]:
    """Puts a correction in force on a meter, by its id, or takes it out of force with None."""
    params = {"correction": correction, **given(meter=meter, display=display, force=force)}
    return Call("meter.correct", params, Corrected.read, timeout_s, takes_lease=True)


def add_correction(
    name: str,
    *,
    meter: MeterId,
    method: str = "given",
    matrix: Optional[Matrix] = None,
    colours: Sequence[Dict[str, Any]] = (),
    reference: Optional[MeterId] = None,
    display: Optional[str] = None,
    at: Union[str, datetime, None] = None,
    undo: Optional[str] = None,
    note: Optional[str] = None,
    simulated: Optional[bool] = None,
    timeout_s: Optional[float] = None,
) -> Call[CorrectionChanged]:
    """Makes a correction and keeps it; `correct` puts it in force.

    `method`: `given` (needs `matrix`), `four_colour` or `least_squares` (need `colours`: objects with `name`, `meter` and
    `reference`, both X, Y, Z). `meter` and `reference` are ids.
    """
    params = given(
        name=name,
        method=method,
        meter={"id": meter},
        matrix=matrix,
        colours=colours if len(colours) else None,
        reference=None if reference is None else {"id": reference},
        display=display,
        at=None if at is None else written(at),
        undo=undo,
        note=note,
        simulated=simulated,
    )
    return Call("corrections.add", params, CorrectionChanged.read, timeout_s)


def remove_correction(correction: CorrectionId, *, timeout_s: Optional[float] = None) -> Call[CorrectionChanged]:
    """Removes a correction that is not in force. What readings went through is kept, marked with `removed`."""
    return Call("corrections.remove", {"correction": correction}, CorrectionChanged.read, timeout_s)


def stage_show(
    colour: Sequence[int],
    *,
    background: Optional[Sequence[int]] = None,
    bits: Optional[int] = None,
    range: Optional[Range] = None,
    window_percent: Optional[float] = None,
    power: Optional[Power] = None,
    position: Optional[Sequence[float]] = None,
    meter: Optional[MeterId] = None,
    timeout_s: Optional[float] = None,
) -> Call[Shown]:
    """Tells a simulated display what to show: R, G, B of a centred window. Once this returns, it is shown.

    `range="narrow"`: code values as in television, 64 to 940 at 10 bits. `power="off"` switches the display off, whatever the colour.
    `position`: where meters look, as shares of the screen's width and height from the top left; the middle if left out.
    """
    stimulus = given(
        colour=colour,
        background=background,
        bits=bits,
        range=range,
        window_percent=window_percent,
        power=power,
    )
    params = given(meter=meter, stimulus=stimulus, position=position)
    return Call("stage.show", params, Shown.read, timeout_s, takes_lease=True)


def take_lease(
    meter: MeterId,
    *,
    ttl_s: Optional[float] = None,
    wait_s: Optional[float] = None,
    purpose: Optional[str] = None,
    timeout_s: Optional[float] = None,
) -> Call[Granted]:
    """What a client's `lease` begins with. That renews it, too, sends its token along, and gives it back: there is no other way."""
    params = given(meter=meter, ttl_s=ttl_s, wait_s=wait_s, purpose=purpose)
    return Call("meter.lease", params, Granted.read, timeout_s)


def observe(
    meter: MeterId,
    *,
    after: Optional[int] = None,
    every_s: Optional[float] = None,
    interval_s: Optional[float] = None,
    integration_s: Optional[float] = None,
    spectra: bool = False,
) -> Dict[str, Any]:
    """A meter's readings as they come, for ever: Reading, and Missed where there is a gap. It outlives the daemon.

    `after`: first those from the log that came after this sequence; else from now on. `interval_s`: have a reading taken this
    often (0: without pause) unless others have; without it this only watches. `every_s`: no more than one in so many seconds.
    After a restart of the daemon it goes on where it was, with no gap and no repeat, from the log.
    """
    asked = given(
        meter=meter,
        after=after,
        every_s=every_s,
        interval_s=interval_s,
        integration_s=integration_s,
        spectra=spectra or None,
    )
    told: Dict[str, Any] = plain(asked, "")
    return told


def corrections(
    *,
    removed: bool = False,
    after: Optional[str] = None,
    limit: Optional[int] = None,
    timeout_s: Optional[float] = None,
) -> Pages[Correction]:
    """The corrections there are, oldest first; `removed`: also those that were removed."""
    params: Dict[str, Any] = given(after=after, removed=removed or None)
    return Pages("corrections.list", params, "corrections", Correction, limit, LARGEST_CORRECTIONS_PAGE, timeout_s)
