"""What a fit found, and how far it is to be believed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.loading import MeasuredSet
from solvers.fit.parameters import Parameter, Situation, Space
from solvers.fit.source import Source
from solvers.fit.verdict import MOST_LEFT, Judgement, Verdict, judged

TOLD = 0.7  # a parameter known to more than this share of its prior's deviation was not told by the data
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
class Estimate:
    """A parameter after the fit.

    Parameters
    ----------
    parameter : which.
    value, deviation : and its standard deviation, in the parameter's unit.
    moved : how far it moved, in standard deviations of the prior.
    known : its standard deviation over the prior's.
    """

    parameter: Parameter
    value: float
    deviation: float
    moved: float
    known: float

    @property
    def told(self) -> bool:
        """Whether the data say anything about it."""
        return self.known <= TOLD


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A project fitted to measurements.

    Parameters
    ----------
    frequency_hz : (n_freq,) of the fit [Hz].
    data, before, after : (n_freq, n_seat, n_sub) complex128: measured, and the model as drawn and as fitted, both
        with the subs' own response.
    estimates : every free parameter.
    correlation : (n_estimate, n_estimate), of their uncertainties.
    together : pairs of parameters that the data tell only together, with their correlation.
    suspects : held parameters that would take much of the misfit: by how much each would change [its unit], and the
        share of the squared misfit.
    judgement : what is left of the data, against their noise.
    own : (n_freq, n_sub) complex128, each sub's own response.
    gain, delay_s : (n_seat, n_sub) of each response, where the files lost level, sign or time.
    situation : the fitted room, constructions and positions.
    stop, steps : how it ended.
    remarks : sentences on what to look at.
    """

    frequency_hz: Floats
    data: Complexes
    before: Complexes
    after: Complexes
    estimates: tuple[Estimate, ...]
    correlation: Floats
    together: tuple[tuple[str, str, float], ...]
    suspects: Mapping[str, tuple[float, float]]
    judgement: Judgement
    own: Complexes
    gain: Floats
    delay_s: Floats
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
    def misfit_before(self) -> float:
        """Share of the data's rms that the model as drawn leaves."""
        return misfit(self.data - self.before, self.data)

    @property
    def misfit_after(self) -> float:
        """Share of the data's rms that the fitted model leaves."""
        return misfit(self.data - self.after, self.data)

    def misfit_over_frequency(self) -> tuple[Floats, Floats]:
        """As drawn and as fitted, over seats and subs: (n_freq,) each, share of the data's rms."""
        size = _rms(self.data)
        return _rms(self.data - self.before) / size, _rms(self.data - self.after) / size


def even_weight(data: Complexes) -> Floats:
    """(n_freq, n_sub) weights that let weak frequencies count nearly as much as strong ones, and subs alike."""
    power = np.mean(np.abs(data) ** 2, axis=1)
    return np.asarray(1.0 / np.sqrt(power + 0.1 * power.mean(axis=0)))


def misfit(left: Complexes, data: Complexes) -> float:
    """Share of the data's rms that is left, by `even_weight`."""
    weight = even_weight(data)[:, None, :]
    return float(np.linalg.norm(left * weight) / np.linalg.norm(data * weight))


def _rms(value: Complexes) -> Floats:
    return np.asarray(np.sqrt(np.mean(np.abs(value) ** 2, axis=(1, 2))))


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


def span(columns: Floats) -> Floats:
    """An orthonormal basis of what the columns span."""
    size = np.linalg.norm(columns, axis=0)
    u, s, _ = np.linalg.svd(columns[:, size > 0.0] / size[size > 0.0], full_matrices=False)
    return np.asarray(u[:, s > 1e-7 * s[0]])


def outcome(
    *,
    measured: MeasuredSet,
    space: Space,
    frequency_hz: Floats,
    data: Complexes,
    before: Complexes,
    after: Complexes,
    noise: Floats,
    freedom: float,
    estimates: tuple[Estimate, ...],
    correlation: Floats,
    wide: float,
    source: Source,
    suspects: Mapping[Parameter, tuple[float, float]],
    u: Floats,
    rivals: Sequence[Floats],
    stop: Stop,
    steps: int,
) -> Fit:
    """All of it together, judged."""
    strong = {
        p.name: found
        for p, found in suspects.items()
        if found[1] >= SUSPECT_SHARE and (p.group != "size" or abs(found[0]) >= SUSPECT_M)
    }
    left = misfit(data - after, data)
    judgement = judged(
        frequency_hz,
        data,
        data - after,
        noise,
        freedom=freedom,
        widening=wide,
        misfit=left,
        even=even_weight(data),
        refused=bool(strong),
    )
    return Fit(
        frequency_hz=frequency_hz,
        data=data,
        before=before,
        after=after,
        estimates=tuple(widened(one, judgement.further) for one in estimates),
        correlation=correlation,
        together=_together(estimates, correlation),
        suspects=strong,
        judgement=judgement,
        own=source.own,
        gain=source.gain,
        delay_s=source.delay_s,
        situation=space.situation(u),
        space=space,
        stop=stop,
        steps=steps,
        remarks=(*_remarks(measured, estimates, strong, data, after, left), *rival_remarks(estimates, rivals)),
    )


def widened(estimate: Estimate, times: float) -> Estimate:
    """The estimate with a standard deviation so many times as large, at most that of its prior."""
    if times == 1.0:
        return estimate
    known = estimate.known * times
    known = max(estimate.known, known / float(np.hypot(1.0, known)))
    return replace(estimate, known=known, deviation=estimate.deviation * known / estimate.known)


def _together(estimates: tuple[Estimate, ...], correlation: Floats) -> tuple[tuple[str, str, float], ...]:
    found = []
    for i, one in enumerate(estimates):
        for j in range(i):
            if abs(correlation[i, j]) >= TOGETHER:
                found.append((estimates[j].parameter.name, one.parameter.name, float(correlation[i, j])))
    return tuple(sorted(found, key=lambda pair: -abs(pair[2])))


def _remarks(
    measured: MeasuredSet,
    estimates: tuple[Estimate, ...],
    suspects: Mapping[str, tuple[float, float]],
    data: Complexes,
    after: Complexes,
    left: float,
) -> tuple[str, ...]:
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
