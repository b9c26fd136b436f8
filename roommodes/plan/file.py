"""The results file: the project, what the model said, and the plans, in one HDF5 file.

| axis | scale | meaning |
| --- | --- | --- |
| frequency_hz | /frequency_hz | logarithmic grid [Hz] |
| seat, candidate | /seat, /candidate | index from 0 |
| axis | /axis | x, y, z |
| rank | /plans/n/rank | 0 is the best plan |
| sub | /plans/n/sub | index of the sub in its plan, from 0 |

Transfer functions are H = p / (j omega rho q / 4 pi) [1/m], e^{+j omega t}; a delay multiplies by
e^{-j omega delay}. Levels are 20 lg |sum of drives times H| re 1/m: 0 dB is one sub's free-field level at 1 m.
"""

from collections.abc import Mapping
from dataclasses import fields, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.errors import FileUnusable
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates, no_kinds
from roommodes.plan.choices import read_choices, write_choices
from roommodes.plan.crossover import read_crossover, write_crossover
from roommodes.plan.measured import read_measured, write_measured
from roommodes.plan.plan import Results
from roommodes.plan.tables import Cloud, Further, HowFound, Merits, PlanTable
from roommodes.plan.tuning import read_tuning, write_tuning
from roommodes.project.reading import parse_project
from roommodes.storage.fields import (
    CLOUD_FIELDS,
    PLAN_FIELDS,
    ROOT_FIELDS,
    add_field,
    add_scale,
    add_text,
    read_attribute,
    read_field,
    read_text,
)
from roommodes.storage.guard import read_guarded
from roommodes.storage.seal import sealed
from roommodes.storage.stamp import Made
from roommodes.storage.whole_file import write_whole

FORMAT = "roommodes plan"
FORMAT_VERSION = 1
LEAST = "layouts_least_db"
MERITS = tuple(entry.name for entry in fields(Merits))


def write_results(path: Path, results: Results, *, force: bool) -> None:
    """Write a results file whole, or not at all.

    Parameters
    ----------
    path : the file to be written.
    results : what goes into it.
    force : an existing file may be replaced.

    Raises
    ------
    FileUnusable : the file exists, or cannot be written.
    ProjectInvalid : the project has a construction in code, which no file holds.
    """
    results.project.require_file("a plan file")
    # The image is built in memory: a full disk then meets one plain write, never a library in mid-flush.
    write_whole(path, results_image(results), force=force)


def results_image(results: Results) -> bytes:
    """The results file's bytes."""
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = FORMAT
        file.attrs["format_version"] = FORMAT_VERSION
        results.made.write(file)
        file.attrs["project_sha256"] = results.project.sha256
        add_text(file, "project_toml", results.project.toml_text, long_name="text of the project file")
        add_scale(file, "frequency_hz", results.frequency_hz, unit="Hz")
        add_scale(file, "seat", np.arange(len(results.seats.name)))
        add_scale(file, "candidate", np.arange(len(results.candidates.zone)))
        add_scale(file, "axis", ["x", "y", "z"])
        arrays = {
            "seats/position_m": results.seats.position_m,
            "seats/name": list(results.seats.name),
            "seats/weight": results.seats.weight,
            "seats/row": results.seats.row,
            "candidates/position_m": results.candidates.position_m,
            "candidates/zone": list(results.candidates.zone),
            "candidates/mirror_of": results.candidates.mirror_of,
            "candidates/between": (np.arange(len(results.candidates)) >= results.candidates.n_first).astype(np.int64),
            "transfer": results.transfer,
        }
        if len(results.project.kinds) > 1:
            arrays["candidates/kind"] = results.candidates.kind
        if results.further.mains is not None:
            add_scale(file, "main", np.arange(results.further.mains.shape[2]))
            arrays["mains/transfer"] = results.further.mains
        if results.further.cloud is not None:
            add_scale(file, "ear", np.arange(len(results.further.cloud.seat)))
            arrays |= {
                f"cloud/{name}": getattr(results.further.cloud, name) for name in ("position_m", "seat", "transfer")
            }
        for entry in (*ROOT_FIELDS, *CLOUD_FIELDS):
            if entry.path in arrays:
                add_field(file, entry, arrays[entry.path], scales=[file])
        plans = file.create_group("plans")
        for count, table in sorted(results.plans.items()):
            group = plans.create_group(str(count))
            add_scale(group, "rank", np.arange(len(table)))
            add_scale(group, "sub", np.arange(count))
            for entry in PLAN_FIELDS:
                holder = table.merits if entry.path in MERITS else table
                if (values := getattr(holder, entry.path)) is not None:
                    add_field(group, entry, values, scales=[group, file])
            found = table.found
            group.attrs["stop"] = found.stop
            group.attrs["layouts_searched"] = found.layouts_searched
            group.attrs["layouts_possible"] = min(found.layouts_possible, np.iinfo(np.int64).max)
            group.attrs["exhaustive"] = np.uint8(found.exhaustive)
            group.attrs["seconds"] = found.seconds
            group.attrs["remarks"] = "\n".join(found.remarks)
            group.attrs["by_aims"] = np.uint8(found.by_aims)
            if found.layouts_least_db is not None:
                group.attrs[LEAST] = found.layouts_least_db
        write_choices(file, results.choices)
        write_tuning(file, results.tuning)
        write_crossover(file, results.crossover)
        write_measured(file, results.measured)
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def read_results(path: Path) -> Results:
    """Read a results file, of whatever origin.

    Raises
    ------
    FileUnusable : not a results file, of a newer format, damaged, or holding what is refused (`storage.guard`).
    ProjectInvalid : the project in it is not valid.
    """
    contents = read_guarded(path, lambda file: _contents(path, file))
    text, fingerprint = contents.pop("project_toml"), contents.pop("project_sha256")
    if sha256(text.encode()).hexdigest() != fingerprint:
        raise FileUnusable(
            f"{path}: is damaged: the project text was changed after the plans were computed (its SHA-256 differs); "
            "write the plan anew"
        )
    project, record = parse_project(text, source=f"{path} (project inside)"), contents["measured"]
    if record is not None:
        project = replace(project, drive=record.drive)
    results = Results(project=project, **contents)
    _check_values(path, results)
    return results


def _contents(path: Path, file: h5py.File) -> dict[str, Any]:
    """What the results are made of, the project as text."""
    _check_format(path, file)
    sizes: dict[str, int] = {"axis": 3}
    root = {entry.path: read_field(path, file, entry, sizes) for entry in (*ROOT_FIELDS, *CLOUD_FIELDS)}
    plans = _read_plans(path, file, sizes)
    ranks = {count: len(one) for count, one in plans.items()}
    row, mirror_of = root["seats/row"], root["candidates/mirror_of"]
    between = root["candidates/between"]
    return {
        "project_toml": read_text(path, file, "project_toml"),
        "project_sha256": read_attribute(path, file, "project_sha256", str),
        "made": Made.read(path, file),
        "frequency_hz": root["frequency_hz"],
        "seats": Seats(
            position_m=root["seats/position_m"],
            name=tuple(root["seats/name"]),
            weight=root["seats/weight"],
            row=np.zeros(sizes["seat"], dtype=np.int64) if row is None else row,
        ),
        "candidates": Candidates(
            position_m=root["candidates/position_m"],
            zone=tuple(root["candidates/zone"]),
            mirror_of=np.full(sizes["candidate"], -1, dtype=np.int64) if mirror_of is None else mirror_of,
            places_between=0 if between is None else int(np.count_nonzero(between)),
            kind=no_kinds() if root["candidates/kind"] is None else root["candidates/kind"].astype(np.intp),
        ),
        "transfer": root["transfer"],
        "further": Further(cloud=_read_cloud(path, root), mains=root["mains/transfer"]),
        "plans": plans,
        "choices": read_choices(path, file, sizes["candidate"]),
        "measured": read_measured(path, file, sizes),
        "tuning": read_tuning(path, file, sizes, ranks),
        "crossover": read_crossover(path, file, sizes, ranks),
    }


def _read_cloud(path: Path, root: Mapping[str, Any]) -> Cloud | None:
    """The points beside the seats, all of their datasets or none."""
    parts = {name: root[f"cloud/{name}"] for name in ("position_m", "seat", "transfer")}
    there = [values is not None for values in parts.values()]
    if not any(there):
        return None
    if not all(there):
        raise FileUnusable(f"{path}: a dataset of /cloud is missing; the file is no complete plan")
    if parts["seat"].min() < 0 or parts["seat"].max() >= len(root["seats/name"]):
        raise FileUnusable(f"{path}: /cloud/seat points past the seats; write the plan anew")
    return Cloud(**parts)


def _check_format(path: Path, file: h5py.File) -> None:
    if file.attrs.get("format") != FORMAT:
        raise FileUnusable(f"{path}: is an HDF5 file, but not a {FORMAT}; give a file that roommodes optimise wrote")
    version = read_attribute(path, file, "format_version", int)
    if version > FORMAT_VERSION:
        raise FileUnusable(
            f"{path}: has format version {version}; this program reads up to {FORMAT_VERSION}; "
            "update roommodes to read it"
        )
    if version < 1:
        raise FileUnusable(f"{path}: has format version {version}; versions begin at 1; write the plan anew")


def _read_plans(path: Path, file: h5py.File, sizes: dict[str, int]) -> dict[int, PlanTable]:
    groups = file.get("plans")
    if not isinstance(groups, h5py.Group):
        raise FileUnusable(f"{path}: /plans is missing; the file is no complete plan")
    tables = {}
    for name in groups:
        count = int(name) if name.isascii() and name.isdigit() and len(name) < 6 else 0
        group = groups[name]
        if count < 1 or str(count) != name or not isinstance(group, h5py.Group):
            raise FileUnusable(f"{path}: /plans/{name} is not a group named by a number of subs")
        own_sizes = {**sizes, "sub": count}
        arrays = {entry.path: read_field(path, group, entry, own_sizes) for entry in PLAN_FIELDS}
        arrays["polarity"] = arrays["polarity"].astype(np.int8)
        tables[count] = PlanTable(
            **{name: values for name, values in arrays.items() if name not in MERITS},
            found=HowFound(
                layouts_searched=read_attribute(path, group, "layouts_searched", int),
                layouts_possible=read_attribute(path, group, "layouts_possible", int),
                exhaustive=read_attribute(path, group, "exhaustive", bool),
                stop=read_attribute(path, group, "stop", str),
                seconds=read_attribute(path, group, "seconds", float),
                remarks=tuple(read_attribute(path, group, "remarks", str).splitlines()),
                by_aims="by_aims" in group.attrs and read_attribute(path, group, "by_aims", bool),
                layouts_least_db=read_attribute(path, group, LEAST, float) if LEAST in group.attrs else None,
            ),
            merits=Merits(**{name: values for name, values in arrays.items() if name in MERITS}),
        )
    return dict(sorted(tables.items()))


def _check_values(path: Path, results: Results) -> None:
    """Refuse what no search of ours could have written."""
    n_candidate = len(results.candidates.zone)
    faults = []
    seats, candidates = results.seats, results.candidates
    finite: list[NDArray[np.number]] = [results.frequency_hz, results.transfer]
    finite += [seats.position_m, seats.weight, candidates.position_m]
    finite += [] if results.further.mains is None else [results.further.mains]
    finite += (
        [results.further.cloud.transfer, results.further.cloud.position_m] if results.further.cloud is not None else []
    )
    for count, table in results.plans.items():
        finite += [table.gain_db, table.delay_s, table.variation_db, table.output_db, table.level_db]
        if not 0.0 <= (table.found.layouts_least_db or 0.0) < np.inf:
            faults.append(f"/plans/{count} has a lower bound that is no variation")
        extra = [getattr(table.merits, name) for name in MERITS]
        finite += [values for values in extra if values is not None]
        if table.candidate_index.min() < 0 or table.candidate_index.max() >= n_candidate:
            faults.append(f"/plans/{count}/candidate_index points past the {n_candidate} candidates")
        if not np.isin(table.polarity, (-1, 1)).all():
            faults.append(f"/plans/{count}/polarity has values other than +1 and -1")
        if table.delay_s.min() < 0.0:
            faults.append(f"/plans/{count}/delay_s has a delay below zero")
    if candidates.kind.min() < 0 or candidates.kind.max() >= len(results.project.kinds):
        faults.append(f"/candidates/kind points past the {len(results.project.kinds)} kinds of subwoofer")
    if not all(np.isfinite(array).all() for array in finite):
        faults.append("some numbers are not finite")
    if results.frequency_hz[0] <= 0.0 or (np.diff(results.frequency_hz) <= 0.0).any():
        faults.append("the frequencies do not rise from above zero")
    if faults:
        raise FileUnusable(f"{path}: is damaged: {'; '.join(faults)}; write the plan anew")
