"""A plan over a plane of estimated places: levels from the measurements in place of the model's, with deviations."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db
from solvers.field.errors import expected_level_db
from solvers.field.from_file import columns, field_at
from solvers.field.on_plan import require_same
from solvers.field.uncertain import LEVEL_DB

FLAT_M = 0.05  # places of a plane lie so near to one height
FEWEST = 3  # along each side
FILLED = 0.5  # share of the grid's places that must be there
HARDLY_DB = 3.0  # a level that is known worse than a step of the map


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldPlane:
    """Levels of a plan over a grid of places, at some frequencies; NaN where the field has no place.

    Parameters
    ----------
    frequency_hz : (n_freq,) of the plan's [Hz].
    x_m, y_m : (n_x,), (n_y,) of the grid [m].
    height_m : mean of the places' [m].
    level_db : (n_freq, n_x, n_y) as driven and filtered, mean in dB over what it may be [dB re 1/m].
    deviation_db : the same shape, one standard deviation of that level [dB].
    seat_db : (n_freq, n_seat) at the plan's seats [dB re 1/m].
    """

    frequency_hz: Floats
    x_m: Floats
    y_m: Floats
    height_m: float
    level_db: Floats
    deviation_db: Floats
    seat_db: Floats

    @property
    def hardly_known(self) -> Floats:
        """(n_freq, n_x, n_y) 1 where the level is known worse than `HARDLY_DB`, 0 elsewhere."""
        return np.where(np.nan_to_num(self.deviation_db) > HARDLY_DB, 1.0, 0.0)


def field_plane(plan: Plan, field: FieldFile, frequency_hz: Floats, *, source: str = "field") -> FieldPlane:
    """The plan over the field's places, at the plan's frequencies next to those wanted.

    Parameters
    ----------
    plan : on measured responses.
    field : of the same measurements, its places on a grid at one height.
    frequency_hz : (n_freq,) [Hz].
    source : what to call the field in faults.

    Raises
    ------
    ProjectInvalid : the places are no grid, or the two do not belong together.
    """
    record = require_same(plan, field, source=source)
    x, y, where = grid_of(field, source=source)
    at = np.array([int(np.argmin(np.abs(np.log(plan.frequency_hz / hz)))) for hz in np.atleast_1d(frequency_hz)])
    hz, scale = plan.frequency_hz[at], 10.0 ** (record.scale_db / 20.0)
    own = columns(field, plan.zones)
    found = field_at(field, plan.frequency_hz, source=source)
    pressure, deviation = (scale * values[at][:, :, own] for values in found)
    weights = plan.weights(hz)
    total = np.einsum("fpc,fc->fp", pressure, weights)
    spread = np.sqrt(np.einsum("fpc,fc->fp", deviation**2, np.abs(weights) ** 2))
    shape = (len(hz), len(x), len(y))
    level, unsure = np.full(shape, np.nan), np.full(shape, np.nan)
    level[:, where[:, 0], where[:, 1]] = expected_level_db(total, spread)
    unsure[:, where[:, 0], where[:, 1]] = LEVEL_DB * spread / np.maximum(np.abs(total), 1e-30)
    return FieldPlane(
        frequency_hz=hz,
        x_m=x,
        y_m=y,
        height_m=float(field.places.position_m[:, 2].mean()),
        level_db=level,
        deviation_db=unsure,
        seat_db=level_db(np.einsum("fsc,fc->fs", plan.transfer[at], weights)),
    )


def grid_of(field: FieldFile, *, source: str = "field") -> tuple[Floats, Floats, np.ndarray]:
    """The grid on which a field's places lie: x (n_x,), y (n_y,) [m], and where each place is on it (n_place, 2).

    Raises
    ------
    ProjectInvalid : they lie on none, or at several heights.
    """
    place = np.round(field.places.position_m, 3)
    x, at_x = np.unique(place[:, 0], return_inverse=True)
    y, at_y = np.unique(place[:, 1], return_inverse=True)
    flat = float(np.ptp(place[:, 2])) <= FLAT_M
    if not flat or min(len(x), len(y)) < FEWEST or len(place) < FILLED * len(x) * len(y):
        message = (
            "its places are no grid at one height, so there is nothing to map; make one with roommodes field --height"
        )
        raise ProjectInvalid(source, [Fault(where="places", message=f"{message}.")])
    return x, y, np.stack([at_x.ravel(), at_y.ravel()], axis=1)
