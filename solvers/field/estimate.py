"""A field estimate: the project's model and what it leaves, from measured responses to places that were not measured.

Each sub has a process of its own over the places; all share the kernels' weights. Exchange sub and microphone
(reciprocity), and the places are those of subs. The weights come from at most `MOST_TRAINED` frequencies of the band.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.field.errors import LeftOut
from solvers.field.process import Weights, chosen_weights, left_out, predicted, solved
from solvers.field.waves import DIRECT, NOISE, PLANE, Waves, around, shifted
from solvers.project_transfer import project_transfer

FEWEST_PLACES = 4
MOST_TRAINED = 32  # frequencies
MOST_NUMBERS = 2**25  # of all kernels that the weights are fitted to
WIDER_M = (0.2, 0.0, 0.4)  # by how much soft walls may reflect from behind themselves
WITHIN = 0.68  # share of the errors that one standard deviation shall hold
MOST_WIDENED = 3.0
MODEL_WORTH = 0.9  # the model is kept where it brings the error at places left out below this share
FIELD, MODEL_ALONE, INTERPOLATION = "field", "model alone", "interpolation alone"
INTERPOLATED = (NOISE, PLANE, DIRECT)  # kernels of interpolation alone: no room


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimate:
    """A field at places that were not measured.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    place_name, place_m : (n_place,), (n_place, 3) [m].
    pressure : (n_freq, n_place, n_sub) complex128, in the measurements' own scale.
    deviation : the same shape, one standard deviation of the complex value: of what a microphone would find there.
    left_out : the measured places, each from the others.
    share : kernel -> its share of the power where it was measured.
    wider_m : by how much the box of the image sources is wider than the room in plan [m]; 0 for other shapes.
    widened : factor on all deviations, so that 68 % of the errors at places left out lie within one.
    fitted : the process behind it.
    project, measured : what it was estimated from.
    """

    frequency_hz: Floats
    place_name: tuple[str, ...]
    place_m: Floats
    pressure: Complexes
    deviation: Floats
    left_out: LeftOut
    share: dict[str, float]
    wider_m: float
    widened: float
    fitted: "Fitted" = field(repr=False)
    project: Project = field(repr=False)
    measured: MeasuredSet = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """The process of a measured set: kernels and weights.

    Parameters
    ----------
    waves : the kernels of each sub.
    weight : shared by all.
    wider_m : see `Estimate`.
    terms : (n_kernel, n_sub * n_freq, n, n), all frequencies.
    data : (n_sub * n_freq, n).
    """

    waves: tuple[Waves, ...]
    weight: Weights
    wider_m: float
    terms: Complexes
    data: Complexes


def require_enough(measured: MeasuredSet) -> None:
    """Raise ProjectInvalid unless every sub has a position and there are places enough."""
    faults = [
        Fault(where=f"subs[{index}].position_m", message=f"sub {name} has no position; a field needs it. Give one.")
        for index, name in enumerate(measured.subs.name)
        if not np.isfinite(measured.subs.position_m[index]).all()
    ]
    if (count := len(measured.seats)) < FEWEST_PLACES:
        message = f"{count} places were measured; a field needs at least {FEWEST_PLACES}. Measure at more places."
        faults.append(Fault(where="responses", message=message))
    if faults:
        raise ProjectInvalid(measured.source, faults)


def estimate(
    project: Project,
    measured: MeasuredSet,
    place_name: Sequence[str],
    place_m: Floats,
    *,
    running: Running = Running(),
) -> Estimate:
    """The field of every measured sub at places that were not measured.

    Parameters
    ----------
    project : the room; its model is one of the process's kernels, the better the nearer it is to the built room.
    measured : responses of every sub at four places at least.
    place_name, place_m : (n_place,), (n_place, 3) where it is wanted [m].
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : too few places, or a sub without a position.
    OutsideModel : the model cannot take the room.
    Interrupted : when cancelled.
    """
    require_enough(measured)
    here = measured.seats.position_m
    model = model_at(project, measured, np.concatenate([here, place_m]), running=running.part(0.0, 0.4))
    n = len(here)
    fitted = fitted_process(project, measured, model[:, :n], running=running.part(0.4, 0.9))
    value, deviation = elsewhere(fitted, model[:, n:], place_m, running=running.part(0.9, 1.0))
    checked, widened = checked_places(fitted, measured, model[:, :n], running=running)
    total = fitted.weight.value.sum()
    running.step("field", 1.0)
    return Estimate(
        frequency_hz=measured.frequency_hz,
        place_name=tuple(place_name),
        place_m=place_m,
        pressure=value,
        deviation=widened * deviation,
        left_out=checked,
        share={
            name: float(weight / total) for name, weight in zip(fitted.waves[0].names, fitted.weight.value, strict=True)
        },
        wider_m=fitted.wider_m,
        widened=widened,
        fitted=fitted,
        project=project,
        measured=measured,
    )


def model_at(project: Project, measured: MeasuredSet, place_m: Floats, *, running: Running) -> Complexes:
    """The model's response at places (p, 3) to every measured sub: (n_freq, p, n_sub)."""
    return project_transfer(
        project,
        frequency_hz=measured.frequency_hz,
        seat_m=place_m,
        source_m=measured.subs.position_m,
        running=running.under("model"),
    )


def fitted_process(project: Project, measured: MeasuredSet, model: Complexes, *, running: Running) -> Fitted:
    """Kernels and weights of a measured set; `model` is its response at the measured places, (n_freq, n, n_sub).

    A model far from the room is left out: it would only add what is not there.
    """
    widths = WIDER_M if project.room.is_box else (0.0,)
    steps = len(widths) + 1
    without = {
        wider_m: _weights(project, measured, None, wider_m, running=running.part(at / steps, (at + 1) / steps))
        for at, wider_m in enumerate(widths)
    }
    wider_m = min(without, key=lambda one: without[one].cost)
    best = _process(project, measured, None, wider_m, without[wider_m])
    running.step("field", len(widths) / steps)
    by_model = _process(project, measured, model, wider_m, _weights(project, measured, model, wider_m, running=running))
    return by_model if _error(by_model) < MODEL_WORTH * _error(best) else best


def _weights(
    project: Project, measured: MeasuredSet, model: Complexes | None, wider_m: float, *, running: Running
) -> Weights:
    """The kernels' weights with or without the model, the box wider by so much."""
    running.step("field", 0.0)
    trained = trained_frequencies(measured)
    some = kernels(project, measured, model, wider_m, trained)
    return chosen_weights(stacked(some), in_batches(measured.transfer[trained]), running=running)


def _process(
    project: Project, measured: MeasuredSet, model: Complexes | None, wider_m: float, weight: Weights
) -> Fitted:
    """The process with these weights at all frequencies."""
    waves = kernels(project, measured, model, wider_m)
    return Fitted(waves=waves, weight=weight, wider_m=wider_m, terms=stacked(waves), data=in_batches(measured.transfer))


def _error(fitted: Fitted) -> float:
    """Share of the rms that is left at places left out, each frequency alike."""
    value, _ = left_out(solved(fitted.weight.value, fitted.terms, fitted.data), fitted.data)
    share = (np.abs(value - fitted.data) ** 2).mean(axis=1) / (np.abs(fitted.data) ** 2).mean(axis=1)
    return float(np.sqrt(share.mean()))


def trained_frequencies(measured: MeasuredSet) -> Integers:
    """Indices of the frequencies that the weights are fitted to."""
    n_freq, n, n_sub = measured.transfer.shape
    most = max(4, min(MOST_TRAINED, MOST_NUMBERS // (12 * n_sub * n * n)))
    return np.unique(np.linspace(0, n_freq - 1, min(most, n_freq)).round().astype(np.intp))


def kernels(
    project: Project, measured: MeasuredSet, model: Complexes | None, wider_m: float, used: Integers | None = None
) -> tuple[Waves, ...]:
    """The kernels of every sub over the measured places, at the frequencies used."""
    chosen = np.arange(len(measured.frequency_hz)) if used is None else used
    hz = measured.frequency_hz[chosen]
    place = shifted(measured.seats.position_m, wider_m=wider_m)
    return tuple(
        Waves(around(project, hz, source, wider_m=wider_m), place, None if model is None else model[chosen, :, sub])
        for sub, source in enumerate(measured.subs.position_m)
    )


def stacked(waves: Sequence[Waves]) -> Complexes:
    """(n_kernel, n_sub * n_freq, n, n) of all subs."""
    return np.concatenate([one.terms() for one in waves], axis=1)


def in_batches(transfer: Complexes) -> Complexes:
    """(n_freq, n, n_sub) as (n_sub * n_freq, n)."""
    n_freq, n, n_sub = transfer.shape
    return np.asarray(transfer.transpose(2, 0, 1).reshape(n_sub * n_freq, n))


def checked_places(
    fitted: Fitted, measured: MeasuredSet, model: Complexes, *, running: Running
) -> tuple[LeftOut, float]:
    """Every measured place from the others, by the field, the model and interpolation; the factor on deviations.

    The weights are those of all places. The model keeps its room; its factor at each frequency is that of the others.
    """
    shape = measured.transfer.shape
    value, deviation = left_out(solved(fitted.weight.value, fitted.terms, fitted.data), fitted.data)
    widened = widening(fitted.data, value, deviation)
    between = _between(fitted.waves, fitted.terms, measured, running)
    by_model = model_left_out(in_batches(model), fitted.data)
    found = {FIELD: value, MODEL_ALONE: by_model, INTERPOLATION: between}
    return (
        LeftOut(
            frequency_hz=measured.frequency_hz,
            data=measured.transfer,
            found={way: unstacked(one, shape) for way, one in found.items()},
            deviation=widened * unstacked(deviation, shape).real,
        ),
        widened,
    )


def interpolated_left_out(project: Project, measured: MeasuredSet, *, running: Running) -> Complexes:
    """Every measured place from the others by interpolation alone, no room: (n_freq, n, n_sub)."""
    waves = kernels(project, measured, None, 0.0)
    return unstacked(_between(waves, stacked(waves), measured, running), measured.transfer.shape)


def _between(waves: Sequence[Waves], terms: Complexes, measured: MeasuredSet, running: Running) -> Complexes:
    """The same in batches, from kernels that are at hand."""
    n_freq, _, n_sub = measured.transfer.shape
    few = terms[np.array([waves[0].names.index(name) for name in INTERPOLATED])]
    data = in_batches(measured.transfer)
    trained = np.concatenate([trained_frequencies(measured) + sub * n_freq for sub in range(n_sub)])
    alone = chosen_weights(few[:, trained], data[trained], running=running)
    return left_out(solved(alone.value, few, data), data)[0]


def widening(data: Complexes, value: Complexes, deviation: Floats) -> float:
    """By how much deviations are widened so that they hold at the places left out; never narrowed."""
    return float(np.clip(np.quantile(np.abs(data - value) / deviation, WITHIN), 1.0, MOST_WIDENED))


def model_left_out(model: Complexes, data: Complexes) -> Complexes:
    """Each place by the model, with the factor at each frequency that suits the other places best: (n_batch, n)."""
    product, power = model.conj() * data, np.abs(model) ** 2
    factor = (product.sum(axis=1, keepdims=True) - product) / (power.sum(axis=1, keepdims=True) - power)
    return np.asarray(factor * model)


def elsewhere(fitted: Fitted, model: Complexes, place_m: Floats, *, running: Running) -> tuple[Complexes, Floats]:
    """The field at places (p, 3) and its deviation, (n_freq, p, n_sub); sub after sub, to hold little at once."""
    n_freq = len(fitted.data) // len(fitted.waves)
    place = shifted(place_m, wider_m=fitted.wider_m)
    values, deviations = [], []
    for sub, waves in enumerate(fitted.waves):
        running.check("interrupted while the field was computed")
        own = slice(sub * n_freq, (sub + 1) * n_freq)
        process = solved(fitted.weight.value, fitted.terms[:, own], fitted.data[own])
        parts = [
            predicted(process, *waves.cross(fitted.weight.value, place[some], model[:, some, sub]))
            for some in np.array_split(np.arange(len(place)), max(1, len(place) // 16))
        ]
        values.append(np.concatenate([value for value, _ in parts], axis=1))
        deviations.append(np.concatenate([deviation for _, deviation in parts], axis=1))
    return np.stack(values, axis=2), np.stack(deviations, axis=2)


def unstacked(value: Complexes | Floats, shape: tuple[int, ...]) -> Complexes:
    """(n_sub * n_freq, n) as (n_freq, n, n_sub)."""
    n_freq, n, n_sub = shape
    return np.asarray(value.reshape(n_sub, n_freq, n).transpose(1, 2, 0))
