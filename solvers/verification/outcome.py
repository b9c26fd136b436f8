"""After dialling in: levels and variation as promised and as found, and what the rest comes to."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.measured.data import MeasuredSet
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db, normalised, variation_db
from roommodes.responses.third_octaves import third_octaves
from roommodes.running import Running
from solvers.fit.compared_subs import ComparedSub, compared_subs
from solvers.verification.promise import Pair, pair_of
from solvers.verification.suspects import Suspects, suspects

ALLOWED_DB = 1.5  # in a third octave, with microphones put up again (common practice, no source)
LEAST = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified:
    """A plan verified by a measurement.

    Parameters
    ----------
    pair : both, on the same frequencies and seats.
    suspects : which subs' settings look wrong by all subs at once.
    singles : what each sub does by itself against the promise; empty unless all were measured singly.
    promised_db, found_db, explained_db : (n_freq, n_seat) levels, the measurement's and the explained at the promise's
        mean level: over the band where the promise was measured, at each frequency where the model made it [dB].
    variation_promised_db, variation_found_db, variation_explained_db : over these seats [dB].
    allowed_db : by how much a third octave at a seat may differ [dB].
    """

    pair: Pair
    suspects: Suspects
    singles: tuple[ComparedSub, ...]
    promised_db: Floats
    found_db: Floats
    explained_db: Floats
    variation_promised_db: float
    variation_found_db: float
    variation_explained_db: float
    allowed_db: float

    def bands(self) -> tuple[tuple[float, ...], Floats, Floats, Floats]:
        """Nominal centres (n_band,) [Hz], and levels promised, found and explained, (n_band, n_seat) [dB]."""
        hz = self.pair.frequency_hz
        centre, promised = third_octaves(hz, self.promised_db)
        return centre, promised, third_octaves(hz, self.found_db)[1], third_octaves(hz, self.explained_db)[1]

    @property
    def within(self) -> float:
        """Share of seats and third octaves that lie within `allowed_db` of the promise."""
        _, promised, found, _ = self.bands()
        return float(np.mean(np.abs(found - promised) <= self.allowed_db))

    @property
    def rest_within(self) -> float:
        """The same once what looks wrong is allowed for."""
        _, _, found, explained = self.bands()
        return float(np.mean(np.abs(found - explained) <= self.allowed_db))

    @property
    def over_noise(self) -> float | None:
        """What is left with the changes over the measurement's noise, rms; None where nobody knows the noise."""
        known = np.isfinite(self.pair.noise) & (self.pair.noise > 0.0)
        if not known.any():
            return None
        left = np.abs(self.suspects.explained - self.pair.together)[known] ** 2
        return float(np.sqrt(np.mean(left.mean(axis=1) / self.pair.noise[known] ** 2)))


def verified(
    plan: Plan, measured: MeasuredSet, *, allowed_db: float = ALLOWED_DB, running: Running = Running()
) -> Verified:
    """Hold a measurement after dialling in against the plan.

    Parameters
    ----------
    plan : with its settings and filters.
    measured : a set in which one sub is all of them at once (`together = true`), with the settings dialled in; others
        may be the plan's subs singly, dialled in too.
    allowed_db : by how much a third octave at a seat may differ [dB].
    running : progress, cancelling.

    Raises
    ------
    ProjectInvalid : the set does not belong to the plan.
    Interrupted : when cancelled.
    """
    pair = pair_of(plan, measured)
    found = suspects(pair, running=running)
    promised_db = level_db(pair.promised.sum(axis=2))
    found_db, explained_db = (
        _at_mean_of(promised_db, level_db(value), pair) for value in (pair.together, found.explained)
    )
    variations = [variation_db(level, pair.weight) for level in (promised_db, found_db, explained_db)]
    return Verified(
        pair=pair,
        suspects=found,
        singles=_singles(pair),
        promised_db=promised_db,
        found_db=found_db,
        explained_db=explained_db,
        variation_promised_db=variations[0],
        variation_found_db=variations[1],
        variation_explained_db=variations[2],
        allowed_db=allowed_db,
    )


def _singles(pair: Pair) -> tuple[ComparedSub, ...]:
    """Each sub as measured by itself over what was promised of it: what it has too much against the others."""
    if not np.isfinite(pair.single).all() or len(pair.sub_name) < 2:
        return ()
    power = np.maximum((np.abs(pair.promised) ** 2).sum(axis=1), LEAST)
    own = (pair.promised.conj() * pair.single).sum(axis=1) / power
    return compared_subs(pair.frequency_hz, own, pair.sub_name)


def _at_mean_of(promised_db: Floats, level: Floats, pair: Pair) -> Floats:
    """A level at the promise's mean level over the seats, at each frequency or over the band."""
    away = (level - promised_db) @ normalised(pair.weight)
    return np.asarray(level - (away[:, None] if pair.by_model else away.mean()))
