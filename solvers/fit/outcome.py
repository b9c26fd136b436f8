"""What a fit found, and how far it is to be believed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.loading import MeasuredSet
from solvers.fit.air_scale import air_remarks, as_unsure, common_scale
from solvers.fit.estimate import Estimate, widened
from solvers.fit.parameter import Parameter
from solvers.fit.parameters import Situation, Space
from solvers.fit.source import Source
from solvers.fit.verdict import MOST_LEFT, Compared, DataNoise, Freed, Judgement, Verdict, judged

TOGETHER = 0.9  # posterior correlation from which two parameters are told only together
SUSPECT_SHARE, SUSPECT_M = 0.2, 0.01
FAR = 3.0  # prior standard deviations
CONTRARY = 0.0
STIFFNESS = "youngs_modulus_pa"  # of panes: where the steps of a fit may end far from the best
ALIKE = 0.25  # prior standard deviations of a stiffness


class Stop(Enum):
    """Why the steps ended."""

    SETTLED = "settled: the last step moved every parameter by less than a twentieth of its uncertainty"
    NO_BETTER = "settled: no further step made it better"
    STEPS = "ended after the most steps allowed; the uncertainties are only rough"
    INTERRUPTED = "interrupted: the values of the last whole step are given"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A project fitted to measurements.

    Parameters
    ----------
    compared : measured, and the model as drawn and as fitted.
    estimates : every free parameter.
    correlation : (n_estimate, n_estimate), of their uncertainties.
    together : pairs of parameters that the data tell only together, with their correlation.
    suspects : held parameters that would take much of the misfit: by how much each would change [its unit], and the
        share of the squared misfit.
    judgement : what is left of the data, against their noise.
    source : each sub's own response, and gain and delay of each response, where the files lost level, sign or time.
    situation : the fitted room, constructions and positions.
    stop, steps : how it ended.
    remarks : sentences on what to look at.
    """

    compared: Compared
    estimates: tuple[Estimate, ...]
    correlation: Floats
    together: tuple[tuple[str, str, float], ...]
    suspects: Mapping[str, tuple[float, float]]
    judgement: Judgement
    source: Source
    situation: Situation
    space: Space
    stop: Stop
    steps: int
    remarks: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """Whether it explains the data."""
        return self.judgement.verdict

    @property
    def freed(self) -> Freed | None:
        """The walls that are admittances in place of their constructions; None for none."""
        return self.judgement.freed


def require_places(measured: MeasuredSet) -> None:
    """Raise ProjectInvalid unless every sub has a position."""
    faults = [
        Fault(where=f"subs[{index}].position_m", message=f"sub {name} has no position; a fit needs it.")
        for index, name in enumerate(measured.subs.name)
        if not np.isfinite(measured.subs.position_m[index]).all()
    ]
    if faults:
        raise ProjectInvalid(measured.source, faults)


def widening(left: Complexes) -> float:
    """k = (1 + r) / (1 - r), r the correlation of neighbouring frequencies of (n_freq, n_seat, n_sub)."""
    both = float((left[1:] * np.conj(left[:-1])).real.sum())
    size = float(np.sqrt((np.abs(left[1:]) ** 2).sum() * (np.abs(left[:-1]) ** 2).sum()))
    r = min(max(both / max(size, 1e-300), 0.0), 0.98)
    return (1.0 + r) / (1.0 - r)


def stacked(values: list[Complexes]) -> Floats:
    """Complex arrays of one shape as real columns: real parts above imaginary ones."""
    flat = np.stack([value.ravel() for value in values], axis=1)
    return np.concatenate([flat.real, flat.imag])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Where the steps of a fit ended.

    Parameters
    ----------
    u : (n_estimate,) the parameters, in prior standard deviations.
    estimates, correlation : see `Fit`; uncertainties by the linear theory.
    source : what lies between model and measurement there.
    suspects : held parameters: by how much each would change, and the share of the squared misfit.
    rivals : other points that explain the data nearly as well.
    stop, steps : how it ended.
    """

    u: Floats
    estimates: tuple[Estimate, ...]
    correlation: Floats
    source: Source
    suspects: Mapping[Parameter, tuple[float, float]]
    rivals: Sequence[Floats]
    stop: Stop
    steps: int


def outcome(measured: MeasuredSet, space: Space, compared: Compared, noise: DataNoise, found: Found) -> Fit:
    """The fit with its judgement and remarks.

    Parameters
    ----------
    measured, space : what was fitted to, and the parameters.
    compared : the data beside the model at both ends.
    noise : of the data.
    found : where the steps ended.
    """
    strong = {
        p.name: suspect
        for p, suspect in found.suspects.items()
        if suspect[1] >= SUSPECT_SHARE and (p.group != "size" or abs(suspect[0]) >= SUSPECT_M)
    }
    judgement = judged(compared, noise, refused=bool(strong))
    drawn = [one for one in found.estimates if one.parameter.owner not in space.replaced]
    share = common_scale(found.estimates)
    return Fit(
        compared=compared,
        estimates=as_unsure([widened(one, judgement.further) for one in found.estimates], share),
        correlation=found.correlation,
        together=_together(found.estimates, found.correlation),
        suspects=strong,
        judgement=judgement,
        source=found.source,
        situation=space.situation(found.u),
        space=space,
        stop=found.stop,
        steps=found.steps,
        remarks=(
            *_remarks(measured, drawn, strong, compared),
            *air_remarks(share, space.project.room.air),
            *rival_remarks(found.estimates, found.rivals),
        ),
    )


def _together(estimates: tuple[Estimate, ...], correlation: Floats) -> tuple[tuple[str, str, float], ...]:
    found = []
    for i, one in enumerate(estimates):
        for j in range(i):
            if abs(correlation[i, j]) >= TOGETHER:
                found.append((estimates[j].parameter.name, one.parameter.name, float(correlation[i, j])))
    return tuple(sorted(found, key=lambda pair: -abs(pair[2])))


def _remarks(
    measured: MeasuredSet,
    estimates: Sequence[Estimate],
    suspects: Mapping[str, tuple[float, float]],
    compared: Compared,
) -> tuple[str, ...]:
    data, after, left = compared.data, compared.after, compared.misfit_after
    remarks = []
    for name, (move, share) in suspects.items():
        unit = " m" if name.endswith("_m") else ""
        remarks.append(
            f"{name} is held, but changing it by {move:+.3g}{unit} would take {100.0 * share:.0f} % of what is left: "
            "measure it again, or let it free."
        )
    if left > MOST_LEFT:
        remarks.append(f"{100.0 * left:.0f} % of the responses' rms is left: are positions, polarity and names right?")
    for one in estimates:
        if abs(one.moved) > FAR:
            remarks.append(
                f"{one.parameter.name} moved {abs(one.moved):.1f} times further than such figures are usually "
                "off: is it built as the project says?"
            )
    alike = (data * np.conj(after)).real.sum(axis=0)
    size = np.sqrt((np.abs(data) ** 2).sum(axis=0) * (np.abs(after) ** 2).sum(axis=0))
    for seat, sub in zip(*np.nonzero(alike < CONTRARY * size), strict=True):
        remarks.append(
            f"sub {measured.subs.name[sub]} at {measured.seats.name[seat]} runs against the fitted model: check its "
            "polarity and names."
        )
    return tuple(remarks)


def spread(covariance: Floats, best: Floats, rivals: Sequence[tuple[Floats, float]]) -> Floats:
    """The second moments about the best point, of it and its rivals together.

    Parameters
    ----------
    covariance : (n, n) about each of them.
    best : (n,)
    rivals : points (n,) with their excess of what is minimised, so that each is exp(-excess / 2) as likely.
    """
    share = np.array([1.0, *(np.exp(-0.5 * max(excess, 0.0)) for _, excess in rivals)])
    share = share / share.sum()
    moments = covariance.copy()
    for part, (point, _) in zip(share[1:], rivals, strict=True):
        moments += part * np.outer(point - best, point - best)
    return moments


def rival_remarks(estimates: tuple[Estimate, ...], rivals: Sequence[Floats]) -> tuple[str, ...]:
    """What else a stiffness may be, where another start ended at one that explains the data nearly as well."""
    remarks = []
    for other in rivals:
        for one, u in zip(estimates, other.tolist(), strict=True):
            if one.parameter.key == STIFFNESS and abs(one.moved - u) > ALIKE:
                remarks.append(
                    f"{one.parameter.name} may also be {one.parameter.value(u):.3g} {one.parameter.unit}: that "
                    "explains the measurements nearly as well. Measure with a sub or a microphone near it."
                )
    return tuple(remarks)
