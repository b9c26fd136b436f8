"""Measurements, a project corrected by them, and the field where nobody measured."""
# ruff: noqa: PLC0415 (the solvers wait until they are asked)

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile
from roommodes.measured.data import MeasuredSet
from roommodes.measured.loading import load_manifest
from roommodes.plan.plan import Plan
from roommodes.project.project import Project
from roommodes.project.shape_checks import not_in_air
from roommodes.running import Running

if TYPE_CHECKING:
    from solvers.field.estimate import Estimate
    from solvers.field.filled import Filled
    from solvers.field.next_place import NextPlaces
    from solvers.fit.moved_modes import MovedMode
    from solvers.fit.outcome import Fit


def measurements(manifest: str | Path, project: Project, *, any_folder: bool = False) -> MeasuredSet:
    """Read measured responses: text tables, WAV impulse responses or SOFA files, as a manifest names them.

    Parameters
    ----------
    manifest : the TOML file; `template("manifest")` gives one to begin with.
    project : whose seats were measured.
    any_folder : take files from outside the manifest's folder as well; only for manifests whose author you know.

    Raises
    ------
    ProjectInvalid : with every fault of the manifest and its files.
    FileUnusable : it cannot be read.
    """
    return load_manifest(Path(manifest), project, any_folder=any_folder)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """A project fitted to measurements.

    Parameters
    ----------
    drawn : the project as it was.
    measured : what it was fitted to.
    outcome : estimates with their deviations, misfit, verdict; see `Fit`.
    """

    drawn: Project
    measured: MeasuredSet
    outcome: Fit

    @property
    def project(self) -> Project:
        """The corrected project, its comments kept.

        Raises
        ------
        ProjectInvalid : the fitted room leaves a seat outside, or the measurements were refused.
        """
        from roommodes.project.reading import parse_project
        from solvers.fit.corrected_project import corrected_project

        return parse_project(corrected_project(self.drawn, self.measured, self.outcome), source=self.drawn.source)

    def modes(self, *, running: Running | None = None) -> tuple[MovedMode, ...]:
        """The lowest modes as drawn and as fitted.

        Raises
        ------
        Interrupted : when cancelled.
        """
        from solvers.fit.moved_modes import moved_modes

        return moved_modes(self.drawn, self.outcome, running=running or Running())

    def report(self) -> str:
        """What `roommodes fit` prints: how well the model explains the data, what they tell and what they cannot."""
        import io

        from cli.terminal.output import Page
        from cli.words.fit import print_fit

        text = io.StringIO()
        print_fit(Page(text), self.drawn, self.measured, self.outcome, self.modes())
        return text.getvalue()


def fit(
    project: Project,
    measured: MeasuredSet,
    *,
    hold: Sequence[str] = (),
    own_response: Literal["each", "common", "none"] | None = None,
    running: Running | None = None,
) -> Fitted:
    """Correct a project's walls, loss and size by measured responses; the same as `roommodes fit`.

    Parameters
    ----------
    project : where the fit starts.
    measured : from `measurements`, with the position of every sub.
    hold : what stays as it is: "walls", "loss", "size", "shape", "subs", "microphones", a construction, a block, a
        slope, a sub, a seat, or one of their keys.
    own_response : a response of its own for each sub, one common to all, or none; left out, none where the levels are
        per metre, else each.
    running : progress, cancelling, threads; once cancelled, the best so far is returned.

    Raises
    ------
    ProjectInvalid : a sub without a position, or `hold` names nothing known.
    OutsideModel : the model cannot take this room or these places.
    Interrupted : cancelled before the first step.

    Example: ``fitted = rm.fit(project, rm.measurements("measured.toml", project)); fitted.project``
    """
    from solvers.fit.run import Settings
    from solvers.fit.run import fit as fit_project

    project.require_file("a fit")
    measured = measured.at_known_places()
    settings = Settings(hold=tuple(hold), own=own_response)
    return Fitted(
        drawn=project,
        measured=measured,
        outcome=fit_project(project, measured, settings, running=running or Running()),
    )


def field(
    project: Project,
    measured: MeasuredSet,
    position_m: Floats,
    *,
    names: Sequence[str] = (),
    running: Running | None = None,
) -> Estimate:
    """Estimate the measured subs' field where nobody measured; the same as `roommodes field`.

    Parameters
    ----------
    project : the room; best one that `fit` has corrected.
    measured : from `measurements`, every sub with a position, at four places at least; by reciprocity (`exchanged`) the
        sub at the seats and four places along the walls.
    position_m : (n_place, 3) where the field is wanted, by reciprocity places of subs [m].
    names : of these places; left out, they are numbered.
    running : progress, cancelling, threads.

    Returns
    -------
    An `Estimate`: `pressure` (n_freq, n_place, n_sub) in the measurements' own scale, `deviation` of that shape, and
    `left_out`, what it is worth: every measured place predicted from the others.

    Raises
    ------
    ProjectInvalid : too few places, a sub without a position, or a place outside the room.
    OutsideModel : the model cannot take this room or these places.
    Interrupted : when cancelled.

    Example: ``found = rm.field(project, measured, [[4.2, 2.7, 1.2]]); found.left_out.worth("field").left``
    """
    from solvers.field.estimate import estimate
    from solvers.field.reciprocal import as_it_stood

    place = np.asarray(position_m, dtype=np.float64).reshape(-1, 3)
    given = tuple(names) or tuple(f"place {number}" for number in range(1, len(place) + 1))
    size = np.array(project.room.size_m)
    faults = [
        Fault(where=f"position_m[{index}]", message=f"got {one.tolist()}; it is not in the room's air. Move it inside.")
        for index, one in enumerate(place)
        if not (np.isfinite(one).all() and (one >= 0.0).all() and (one <= size).all())
        or not_in_air(project.room, one.tolist())
    ]
    if len(given) != len(place):
        faults.append(Fault(where="names", message=f"got {len(given)} for {len(place)} places; give each one."))
    if faults or not len(place):
        raise ProjectInvalid("field", faults or [Fault(where="position_m", message="is empty; give a place.")])
    return estimate(project, as_it_stood(measured), given, place, running=running or Running())


def estimated(
    project: Project,
    measured: MeasuredSet,
    *,
    found: Estimate | FieldFile | None = None,
    running: Running | None = None,
) -> Filled:
    """Estimate what was not measured, for a search; the same as `roommodes optimise --measured M --estimate`.

    Parameters
    ----------
    project : whose seats and zones are meant.
    measured : from `measurements`, at four places at least. Seats of the project that were not measured are estimated;
        of a set measured by reciprocity (`exchanged`) every candidate along the zones.
    found : from `field` or ``open("field.h5", "field")``: take what it holds of these, estimate nothing;
        the same as `roommodes optimise --measured M --field field.h5`.
    running : progress, cancelling, threads.

    Returns
    -------
    A `Filled`, to be given to `search` as `measured`.

    Raises
    ------
    ProjectInvalid : too little was measured, no candidate is known well enough, or `found` is of other measurements.
    OutsideModel : the model cannot take the room.
    Interrupted : when cancelled.

    Example: ``rm.search(project, measured=rm.estimated(project, measured))``
    """
    from solvers.field.as_file import as_file
    from solvers.field.filled import filled, filled_from

    if found is not None:
        return filled_from(project, measured.for_search(), found if isinstance(found, FieldFile) else as_file(found))
    return filled(project, measured.for_search(), running=running or Running())


def with_field(plan: Plan, found: Estimate | FieldFile) -> Plan:
    """A plan on measured responses over seats that were not measured as well; the same as `roommodes tune --field`.

    Parameters
    ----------
    plan : from `search(..., measured=...)`.
    found : from `field` or ``open("field.h5", "field")``, estimated from the plan's own measurements at those seats.

    Returns
    -------
    The plan alone in results of its own, judged at all these seats; `plan.measured.deviation` says how sure they are.
    Tune it, and its promise is only as good as the field.

    Raises
    ------
    ProjectInvalid : the two do not belong together, or the field holds no further seat.

    Example: ``rm.with_field(plan, rm.field(project, measured, seats_m, names=["row 2 1"])).tuned()``
    """
    from solvers.field.as_file import as_file
    from solvers.field.on_plan import with_field as plan_with_field

    return plan_with_field(plan, found if isinstance(found, FieldFile) else as_file(found))


def next_places(
    project: Project,
    measured: MeasuredSet,
    found: Estimate,
    *,
    count: int = 3,
    running: Running | None = None,
) -> NextPlaces | None:
    """Say where to measure next, as `roommodes field` does: what lowers the deviation at the seats most.

    Parameters
    ----------
    project, measured : what the field was estimated from.
    found : from `field`; its places count where every seat was measured.
    count : how many places, one after the other.
    running : progress, cancelling, threads.

    Returns
    -------
    A `NextPlaces`: `deviation` at the seats as measured, over the rms of the responses; `at_random`; and `places`,
    each with `position_m` and the `deviation` that it leaves. None where no place is within a stand's reach.

    Raises
    ------
    Interrupted : when cancelled.

    Example: ``rm.next_places(project, measured, found, count=1).places[0].position_m``
    """
    from solvers.field.next_place import next_places as places_of

    if count < 1:
        raise ValueError(f"count: got {count}; allowed: 1 or more")
    return places_of(project, measured, found, count=count, running=running or Running())
