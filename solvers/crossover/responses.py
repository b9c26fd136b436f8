"""What subs and mains of a plan do at the seats around the crossover, from the model or from what was measured."""

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, OutsideModel, ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.plan.measured import MeasuredRecord
from roommodes.plan.plan import Plan
from roommodes.project.mains import lower_end
from roommodes.project.project import Project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import seat_pressure
from roommodes.responses.wide_band import WideBand
from roommodes.running import Running
from roommodes.subwoofer.kinds import responses_known
from roommodes.subwoofer.limits import own_response
from solvers.crossover.alignment import Parts
from solvers.project_transfer import project_transfer

POINTS_PER_OCTAVE = 24
OCTAVES = 1.0  # on each side of the crossover, where [mains] has no band
LEAST_OCTAVES = 0.25  # likewise, of any band


def meeting_parts(
    plan: Plan, crossover: Crossover, *, band_hz: tuple[float, float] | None = None, running: Running = Running()
) -> Parts:
    """Subs as the plan drives them, with its filters if it was tuned, and the mains, each without crossover.

    Where the project gives driver and box, the subs' own response is in theirs: its phase counts as much as a delay.

    Parameters
    ----------
    plan : the plan.
    crossover : around its frequency.
    band_hz : over which the sum is judged; None for that of [mains], else an octave on each side [Hz].
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : the project has no main loudspeakers.
    OutsideModel : the model cannot take it, or no such band.
    Interrupted : when cancelled.
    """
    low, high = judged_hz(plan.project, crossover, band_hz)
    if plan.measured is not None:
        return _measured_parts(plan, plan.measured, crossover, (low, high))
    hz = log_grid(low, high, POINTS_PER_OCTAVE)
    each, mains, own = _modelled(plan, hz, crossover, running)
    return Parts(
        frequency_hz=hz,
        subs=seat_pressure(each, driven(plan, hz)),
        mains=mains,
        seat_weight=plan.seats.weight,
        own=own,
    )


def each_of_both(
    plan: Plan, crossover: Crossover, *, running: Running = Running()
) -> tuple[Floats, Complexes, Complexes]:
    """Subs and mains at the seats over the whole band of the plan and an octave above the crossover, undriven.

    Parameters
    ----------
    plan, crossover, running : as for `meeting_parts`; measured responses as far as they reach.

    Returns
    -------
    Frequencies (n_freq,) [Hz]; subs (n_freq, n_seat, n_sub); mains (n_freq, n_seat, n_main), no crossover in them.
    """
    if plan.measured is not None:
        wide = plan.measured.wide
        if wide is None:
            return plan.frequency_hz, plan.transfer, _measured_mains(plan, plan.measured)
        low, top = float(plan.frequency_hz[0]), max(float(plan.frequency_hz[-1]), 2.0**OCTAVES * crossover.frequency_hz)
        hz = log_grid(*wide.covered(low, top), POINTS_PER_OCTAVE)
        return hz, *_wide_parts(plan, plan.measured, wide, hz)
    low, high = float(plan.frequency_hz[0]), float(plan.frequency_hz[-1])
    hz = log_grid(low, max(high, 2.0**OCTAVES * crossover.frequency_hz), POINTS_PER_OCTAVE)
    subs, mains, _ = _modelled(plan, hz, crossover, running)
    return hz, subs, mains


def _modelled(plan: Plan, hz: Floats, crossover: Crossover, running: Running) -> tuple[Complexes, Complexes, bool]:
    """Subs, with their own response where it is known, and mains at the seats; whether it is known."""
    mains = plan.project.mains
    if mains is None or not mains.positions_m:
        message = "there are no main loudspeakers; add positions_m = [[x, y, z], ...] to the project and search again"
        raise ProjectInvalid(plan.project.source, [Fault(where="mains.positions_m", message=message)])
    whole = project_transfer(
        plan.project,
        frequency_hz=hz,
        seat_m=plan.seats.position_m,
        source_m=np.concatenate([plan.positions_m, np.array(mains.positions_m)]),
        running=running,
    )
    subs, from_mains = whole[:, :, : plan.subs], whole[:, :, plan.subs :]
    own = subs_own(plan.project, hz, crossover)
    if own is not None:
        subs = subs * own[:, None, None] * plan.kind_response(hz)[:, None]
    return subs, from_mains * lower_end(mains.lowest_hz, hz)[:, None, None], own is not None


def subs_own(project: Project, hz: Floats, crossover: Crossover) -> Complexes | None:
    """The subs' own response, driver and box: (n_freq,) [Hz] -> (n_freq,); None where it is not known.

    Over the octave below the crossover it is as loud as a source without one. Of several kinds it is the first one's.
    """
    known = responses_known(project.kinds)
    own = own_response(project.subwoofer, hz, project.room.air) if known else None
    if own is None:
        return None
    octave = np.log2(hz / crossover.frequency_hz)
    below = np.log(np.abs(own[(hz <= crossover.frequency_hz) & (octave >= -OCTAVES - 1e-9)]))
    return np.asarray(own / np.exp(below.mean()))


def judged_hz(
    project: Project, crossover: Crossover, asked_hz: tuple[float, float] | None = None
) -> tuple[float, float]:
    """The band over which the sum is judged: as asked, that of [mains], else an octave on each side [Hz]."""
    band = asked_hz or (None if project.mains is None else project.mains.band_hz)
    if band is None:
        return crossover.frequency_hz / 2.0**OCTAVES, crossover.frequency_hz * 2.0**OCTAVES
    if max(band[0] / crossover.frequency_hz, crossover.frequency_hz / band[1]) > 2.0**-LEAST_OCTAVES:
        message = (
            f"got {band[0]:g} to {band[1]:g} Hz; a crossover at {crossover.frequency_hz:g} Hz needs a quarter of an "
            "octave on both sides"
        )
        if asked_hz is not None:
            raise OutsideModel(f"band: {message}")
        raise ProjectInvalid(project.source, [Fault(where="mains.band_hz", message=message)])
    return band


def _measured_parts(plan: Plan, record: MeasuredRecord, crossover: Crossover, band_hz: tuple[float, float]) -> Parts:
    """The measured responses over the band that is judged, as far as they reach."""
    hz, subs, mains = plan.frequency_hz, plan.transfer, _measured_mains(plan, record)
    if record.wide is not None:
        low, high = record.wide.covered(*band_hz)
        hz = log_grid(low, max(high, 1.01 * low), POINTS_PER_OCTAVE)
        subs, mains = _wide_parts(plan, record, record.wide, hz)
    octave = np.log2(hz / crossover.frequency_hz)
    low, high = band_hz
    near = (hz >= low * (1.0 - 1e-6)) & (hz <= high * (1.0 + 1e-6))
    if not ((octave[near] < -LEAST_OCTAVES).any() and (octave[near] > LEAST_OCTAVES).any()):
        raise OutsideModel(
            f"the measured responses reach from {hz[0]:g} to {hz[-1]:g} Hz; a crossover at {crossover.frequency_hz:g} "
            "Hz needs a quarter of an octave on both sides. Measure further, and search again."
        )
    return Parts(
        frequency_hz=hz[near],
        subs=seat_pressure(subs, driven(plan, hz))[near],
        mains=mains[near],
        seat_weight=plan.seats.weight,
        own=True,
    )


def _wide_parts(plan: Plan, record: MeasuredRecord, wide: WideBand, hz: Floats) -> tuple[Complexes, Complexes]:
    """A plan's subs and the mains at any frequencies that the files reach: (n_freq, n_seat, n_sub or n_main)."""
    _measured_mains(plan, record)  # or why there are none
    first = len(plan.results.candidates)
    whole = wide.at(hz)
    return whole[:, :, plan.candidate_index], whole[:, :, first:]


def _measured_mains(plan: Plan, record: MeasuredRecord) -> Complexes:
    """The measured main loudspeakers at the seats: (n_freq, n_seat, n_main)."""
    if record.main_transfer is None:
        message = "names none of the measured loudspeakers; name those of the manifest that are mains, and search again"
        raise ProjectInvalid(plan.project.source, [Fault(where="mains.measured", message=message)])
    return record.main_transfer


def driven(plan: Plan, hz: Floats) -> Complexes:
    """Drives and filters of a plan as they are dialled in, the earliest sub's delay zero: (n_freq, n_sub)."""
    return np.asarray(plan.drives.from_earliest().weights(hz) * plan.filter_response(hz))
