"""An objective of somebody's own: any function of the levels at the seats, asked of several plans at once."""

from collections.abc import Callable

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid

Objective = Callable[[Floats], Floats]


def asked(objective: Objective, level_db: Floats) -> Floats:
    """The objective's values: (n, n_freq, n_seat) levels -> (n,); ProjectInvalid where it gives something else."""
    found = np.asarray(objective(level_db), dtype=np.float64)
    if found.shape != (len(level_db),) or np.isnan(found).any():
        message = (
            f"gave {'values that are no numbers' if found.shape == (len(level_db),) else f'the shape {found.shape}'} "
            f"for levels of the shape {level_db.shape}; allowed: one number for each plan, shape ({len(level_db)},)"
        )
        raise ProjectInvalid("search", [Fault(where="objective", message=message)])
    return found
