"""What a fit is worth: every measured place predicted by a fit to the others, in closed form.

About the end the responses are taken as linear in all numbers of the fit, with A their slopes over the parameters and
the subs' own response, L the precisions of the priors and e what is left, both over the noise. A fit without place p
then leaves e_p + A_p (A^T A + L - A_p^T A_p)^-1 A_p^T e_p there: exact for a linear model, and near it where one place
does not decide on much. What lies at place p alone (its microphone's offset) goes back to its prior with it.
"""

from dataclasses import replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.data import MeasuredSet
from roommodes.running import Running
from solvers.field.errors import LeftOut
from solvers.field.estimate import (
    FEWEST_PLACES,
    INTERPOLATION,
    MODEL_ALONE,
    in_batches,
    interpolated_left_out,
    model_left_out,
    unstacked,
)
from solvers.fit.outcome import stacked
from solvers.fit.source import Source
from solvers.fit.steps import State, Steps

FIT = "fit"


def places_left_out(
    measured: MeasuredSet, stage: Steps, first: State, last: State, *, running: Running
) -> LeftOut | None:
    """Every place from the others: by the fit, by the model as drawn, by interpolation without a room.

    None where that cannot be said: too few places, or files that lost level, sign or time, which each place's own gain
    and delay would have to give back.

    Parameters
    ----------
    measured : what was fitted to.
    stage : steps over the whole band.
    first, last : as drawn and as fitted.
    running : progress, cancelling.
    """
    if len(measured.seats) < FEWEST_PLACES or stage.source.gains or stage.source.delays or not measured.comparable:
        return None
    shape = stage.data.shape
    used = np.isin(measured.frequency_hz, stage.hz)
    some = replace(measured, frequency_hz=stage.hz, transfer=stage.data, noise=measured.noise[used], further=None)
    found = {
        FIT: stage.data - without_each(stage, last),
        MODEL_ALONE: unstacked(model_left_out(in_batches(first.response.transfer), in_batches(stage.data)), shape),
        INTERPOLATION: interpolated_left_out(stage.space.project, some, running=running.silent()),
    }
    return LeftOut(frequency_hz=stage.hz, data=stage.data, found=found, deviation=None)


def without_each(stage: Steps, state: State) -> Complexes:
    """What a fit without each place leaves there: (n_freq, n_seat, n_sub)."""
    state, weight = stage.weighed(state)
    n_freq, n_seat, n_sub = stage.data.shape
    slopes = [_slopes(stage, state, weight, seat) for seat in range(n_seat)]
    own = [precision for _, precision in stage.source.columns(state.response.transfer[:, :1], _at(state, 0))]
    whole = sum((one.T @ one for one in slopes), np.diag([1.0] * len(stage.space.free) + own))
    scale = np.sqrt(2.0) * weight
    found = np.empty_like(state.left)
    for seat, one in enumerate(slopes):
        left = stacked([state.left[:, seat] * scale])[:, 0]
        left = left + one @ np.linalg.solve(whole - one.T @ one, one.T @ left)
        half = len(left) // 2
        found[:, seat] = (left[:half] + 1j * left[half:]).reshape(n_freq, n_sub) / scale
    return found


def _slopes(stage: Steps, state: State, weight: Floats, seat: int) -> Floats:
    """Slopes of a place's responses over all numbers of the fit, over the noise: (2 n_freq n_sub, n_number)."""
    scale, at = np.sqrt(2.0) * weight, slice(seat, seat + 1)
    factor = state.source.factor(stage.hz)[:, at]
    response = state.response
    columns = [(factor * response.slopes[p][:, at])[:, 0] * scale for p in stage.space.free]
    columns += [column[:, 0] * scale for column, _ in stage.source.columns(response.transfer[:, at], _at(state, seat))]
    return stacked(columns)


def _at(state: State, seat: int) -> Source:
    """What lies between model and measurement at one place."""
    source, at = state.source, slice(seat, seat + 1)
    return replace(source, gain=source.gain[at], delay_s=source.delay_s[at])
