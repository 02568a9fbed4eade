"""The methods of runs. Both clients get theirs by way of `methods`."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Dict, Literal, Optional, Sequence, Union

from .call import Call, given
from .log import Pages
from .log_methods import RunNumber, number
from .meter import MeterId, Power, Range
from .moment import written
from .plain import plain
from .run import Run

#: Runs that one answer holds at most.
LARGEST_RUNS_PAGE = 100

#: What a run is for.
RunKind = Literal["warm_up", "stability", "drift"]

#: Published rules that decide whether light has settled.
Preset = Literal["ies_lm_79", "cie_s_025", "quick_look"]


def start_run(
    meter: MeterId,
    kind: RunKind,
    *,
    label: Optional[str] = None,
    duration_s: Optional[float] = None,
    until: Union[str, datetime, None] = None,
    start: Union[str, datetime, None] = None,
    nightly: Optional[str] = None,
    nights: Optional[int] = None,
    interval_s: Optional[float] = None,
    burst: Optional[int] = None,
    integration_s: Optional[float] = None,
    alert_luminance: Optional[float] = None,
    alert_chromaticity: Optional[float] = None,
    alert_lost_s: Optional[float] = None,
    luminance: Optional[float] = None,
    luminance_floor_cd_m2: Optional[float] = None,
    chromaticity: Optional[float] = None,
    chromaticity_knee_cd_m2: Optional[float] = None,
    hold_s: Optional[float] = None,
    confidence: Optional[float] = None,
    min_wait_s: Optional[float] = None,
    max_wait_s: Optional[float] = None,
    preset: Optional[Preset] = None,
    colour: Optional[Sequence[int]] = None,
    background: Optional[Sequence[int]] = None,
    bits: Optional[int] = None,
    range: Optional[Range] = None,
    window_percent: Optional[float] = None,
    power: Optional[Power] = None,
    timeout_s: Optional[float] = None,
) -> Call[Run]:
    """Has a meter watched unattended. The run belongs to the daemon: it outlives this program, a restart and a reboot.

    `kind`: `warm_up` (until the light has settled), `stability` (does it stay within its bands?) or `drift` (a burst of readings now
    and then, overnight say). `duration_s` or `until`: how long; `start`: later; `nightly="18:00"`: anew each day, `nights` times.
    `interval_s` and `burst`: how often, and how many readings make one point. `alert_…`: what to be alarmed at (0.02 is 2 %).
    The criteria are those of `settle`: for `stability` and `drift` the bands that the light is held against. `colour` and what
    follows: what a simulated display is told to show, as in `stage_show`.
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
    if nights is not None and nightly is None:
        raise TypeError("nights says how often nightly begins anew: give nightly, too")
    stimulus = given(
        colour=colour, background=background, bits=bits, range=range, window_percent=window_percent, power=power
    )
    if stimulus and colour is None:
        raise TypeError(f"{next(iter(stimulus))} is of what is shown: give colour, too")
    params = given(
        meter=meter,
        kind=kind,
        label=label,
        criteria=criteria or None,
        integration_s=integration_s,
        interval_s=interval_s,
        burst=burst,
        duration_s=duration_s,
        until=None if until is None else written(until),
        start=None if start is None else written(start),
        nightly=None if nightly is None else given(at=nightly, nights=nights),
        stimulus=stimulus or None,
        alert=given(luminance=alert_luminance, chromaticity=alert_chromaticity, lost_s=alert_lost_s) or None,
    )
    return Call("runs.start", params, Run.read, timeout_s)


def runs(
    *,
    meter: Optional[MeterId] = None,
    state: Optional[str] = None,
    before: Optional[RunNumber] = None,
    limit: Optional[int] = None,
    timeout_s: Optional[float] = None,
) -> Pages[Run]:
    """The runs there are, the latest first, fetched a page at a time. `state`: planned, running, done, stopped or failed."""
    params = given(meter=meter, state=state, before=number(before))
    return Pages("runs.list", params, "runs", Run, limit, LARGEST_RUNS_PAGE, timeout_s, cursor="before")


def run(run: RunNumber, *, timeout_s: Optional[float] = None) -> Call[Run]:
    """One run, with the figures of its readings in `statistics`."""
    return Call("runs.show", {"run": number(run)}, Run.read, timeout_s)


def stop_run(
    run: RunNumber,
    *,
    reason: Optional[str] = None,
    this_night: bool = False,
    timeout_s: Optional[float] = None,
) -> Call[Run]:
    """Ends a run, or takes a planned one back; of one that begins anew each day, the nights to come, too, unless it is `this_night` alone."""
    params = {"run": number(run), **given(reason=reason, this_night=this_night or None)}
    return Call("runs.stop", params, Run.read, timeout_s)


def observe_runs(run: Optional[RunNumber] = None) -> Dict[str, Any]:
    """How a run gets on, or all that are not over: RunChanged, with the alert that is news. It outlives the daemon, as runs do.

    It begins with each as it is now. It never ends by itself: look at `change.run.is_over`.
    """
    told: Dict[str, Any] = plain(given(run=number(run)), "")
    return told
