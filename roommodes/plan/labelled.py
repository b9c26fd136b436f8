"""Plans and results as xarray datasets."""

from typing import TYPE_CHECKING, Any

import numpy as np

from roommodes.responses.labelled import dataset

if TYPE_CHECKING:
    import xarray

AXIS = (("axis",), ["x", "y", "z"], {"about": "from the front wall to the rear, from left to right, up"})


def plan_dataset(plan: Any) -> "xarray.Dataset":
    """A plan: [sub] drives and positions, [frequency, seat] levels."""
    drives = plan.drives
    return dataset(
        {
            "position_m": (("sub", "axis"), plan.positions_m, {"units": "m"}),
            "gain_db": (("sub",), drives.gain_db, {"units": "dB"}),
            "delay_s": (("sub",), drives.delay_s, {"units": "s"}),
            "polarity": (("sub",), drives.polarity, {}),
            "level_db": (("frequency", "seat"), plan.level_db, {"units": "dB", "reference": "1/m, as driven"}),
        },
        {
            "sub": (("sub",), np.arange(1, plan.subs + 1), {}),
            "zone": (("sub",), list(plan.zones), {}),
            "axis": AXIS,
            **_seats(plan.results),
        },
        {
            "project": plan.project.name,
            "rank": plan.rank,
            "variation_db": plan.variation_db,
            "output_db": plan.output_db,
            "to_limit_db": plan.to_limit_db,
        },
    )


def results_dataset(results: Any) -> "xarray.Dataset":
    """Results: [frequency, seat, candidate] transfer functions, [subs] the best plan of each number of subs."""
    plans = [results.plan(count, 1) for count in results.plans]
    return dataset(
        {
            "transfer": (("frequency", "seat", "candidate"), results.transfer, {"units": "1/m"}),
            "position_m": (("candidate", "axis"), results.candidates.position_m, {"units": "m"}),
            "variation_db": (("subs",), [plan.variation_db for plan in plans], {"units": "dB"}),
            "output_db": (("subs",), [plan.output_db for plan in plans], {"units": "dB"}),
            "level_db": (
                ("subs", "frequency", "seat"),
                np.array([plan.level_db for plan in plans]),
                {"units": "dB", "reference": "1/m, as driven"},
            ),
        },
        {
            "subs": (("subs",), list(results.plans), {}),
            "candidate": (("candidate",), np.arange(len(results.candidates)), {}),
            "zone": (("candidate",), list(results.candidates.zone), {}),
            "axis": AXIS,
            **_seats(results),
        },
        {
            "project": results.project.name,
            "project_sha256": results.project.sha256,
            "seed": results.seed,
            "software_version": results.software_version,
        },
    )


def _seats(results: Any) -> dict[str, Any]:
    return {
        "frequency": (("frequency",), results.frequency_hz, {"units": "Hz"}),
        "seat": (("seat",), list(results.seats.name), {}),
        "weight": (("seat",), results.seats.weight, {}),
    }
