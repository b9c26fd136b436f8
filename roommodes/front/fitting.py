"""Measurements, and a project corrected by them."""
# ruff: noqa: PLC0415 (the solvers wait until they are asked)

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from roommodes.measured.data import MeasuredSet
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from roommodes.running import Running

if TYPE_CHECKING:
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
    hold : what stays as it is: "walls", "loss", "size", "subs", "microphones", a construction, a sub, a seat, or one of
        their keys.
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
