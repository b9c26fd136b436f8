"""The data of the page as one JSON value: a plan, the field around it, and what it is judged by."""

from collections.abc import Sequence
from types import MappingProxyType
from typing import Any

import numpy as np

from cli.explore.field import left_out
from cli.explore.packing import packed_field, packed_plane
from cli.figures.report import HIGHEST_DB, LOWEST_DB, STEP_DB, ramp_colours
from cli.terminal.output import clean
from cli.words.basis import basis_words, weighting_words
from cli.words.plan import caution_lines, off_floor, subs_word
from cli.words.wall_parts import wall_parts
from roommodes.acoustics.room import Room
from roommodes.arrays import Floats
from roommodes.lengths import lengths_of
from roommodes.plan.plan import MODEL_UNIT, Plan, Results
from roommodes.project.glass import glass_of
from roommodes.project.project import Project, cabinet_of
from roommodes.project.tables import MAX_COUNT
from roommodes.responses.third_octaves import bands_of, bands_within, nominal_hz
from roommodes.shapes.outlines import outline_along
from roommodes.subwoofer.channels import Channel
from roommodes.subwoofer.limits import Limits
from solvers.listening.anywhere import Anywhere
from solvers.listening.near_field import APART_M, images_of
from solvers.loudness.headroom import loudness_of, target_bands
from solvers.search.from_project import drives_of

FORMAT = 1
PLANS_OF_A_COUNT = 5  # that the page offers to start from
RAISED_M = 1.2
UPRIGHT = ("front", "rear", "left", "right")
ONE_KIND = MappingProxyType({"name": "", "channels": 1})  # what may differ between amplifiers of one kind


def page_data(plan: Plan, found: Anywhere) -> dict[str, Any]:
    """The data that the page works with."""
    project, results = plan.project, plan.results
    room = project.room
    return {
        "format": FORMAT,
        "project": project.name,
        "project_toml": project.toml_text,
        "project_sha256": project.sha256,
        "feet": lengths_of(project).feet,
        "version": results.software_version,
        "hz": results.frequency_hz.tolist(),
        "room": {
            "size": list(room.size_m),
            "speed": room.air.speed_of_sound_m_s,
            "images": images_of(room).tolist(),
            "apart": APART_M,
        },
        **_listeners(project, results, found),
        "places": {
            "position": np.round(found.position_m, 6).tolist(),
            "snap": list(range(len(found.position_m))) if project.search.round_m > 0.0 else found.snap.tolist(),
            "facing": _facings(project, found.position_m),
            "grids": [
                {
                    "name": grid.name,
                    "axes": [np.round(axis, 6).tolist() for axis in grid.axes_m],
                    "index": grid.index.ravel().tolist(),
                    "closed": grid.closed.tolist(),
                }
                for grid in found.grids
            ],
        },
        "packed": packed_field(found),
        "plane": None if found.plane is None else packed_plane(found.plane),
        **_judged(plan),
        "drives": _drives(project),
        "starts": starts(plan),
        "filters": _filters(plan),
        "drawing": _drawing(project),
        "words": _words(plan, found),
    }


def starts(plan: Plan) -> list[dict[str, Any]]:
    """The plan, then the leading ones of each count: where the page may start from."""
    wanted = [(plan.subs, plan.rank)]
    for count, table in plan.results.plans.items():
        wanted += [(count, rank + 1) for rank in range(min(PLANS_OF_A_COUNT, len(table)))]
    return [
        {
            "label": f"{subs_word(count)}, {'best' if rank == 1 else f'rank {rank}'}",
            "subs": _subs(plan.results.plan(count, rank)),
        }
        for count, rank in dict.fromkeys(wanted)
    ]


def _subs(plan: Plan) -> list[dict[str, Any]]:
    drives, position, channel = plan.drives, np.round(plan.positions_m, 6), _channels(plan)
    return [
        {
            "at": position[sub].tolist(),
            "gain": float(drives.gain_db[sub]),
            "delay": 1e3 * float(drives.delay_s[sub]),
            "polarity": int(drives.polarity[sub]),
            "channel": channel[sub],
        }
        for sub in range(plan.subs)
    ]


def _channels(plan: Plan) -> list[int]:
    """Number of each sub's channel: two that share their settings by the project's wish have one."""
    wishes, drives, index = plan.project.search, plan.drives, plan.candidate_index
    channel = list(range(plan.subs))
    if not (wishes.shared_drives or wishes.mirror):
        return channel
    mirror_of = plan.results.candidates.mirror_of
    own = list(zip(drives.gain_db, drives.delay_s, drives.polarity, strict=True))
    for sub in range(plan.subs):
        for other in range(sub):
            pair = wishes.shared_drives or mirror_of[index[sub]] == index[other]
            if pair and own[sub] == own[other] and channel.count(other) == 1 and channel[sub] == sub:
                channel[sub] = other
    return channel


def _listeners(project: Project, results: Results, found: Anywhere) -> dict[str, Any]:
    seats, ears = results.seats, found.listening
    ways = {one.row: (one.low_m, one.high_m) for one in found.shifts}
    return {
        "seats": {"name": list(seats.name), "row": seats.row.tolist()},
        "ears": {
            "position": ears.position_m.tolist(),
            "weight": ears.weight.tolist(),
            "seat": ears.seat.tolist(),
        },
        "rows": [
            {
                "name": row.name,
                "way": ways.get(number),
                "wished": row.move_m is not None and sum(row.move_m) > 0.0,
            }
            for number, row in enumerate(project.rows)
        ],
    }


def _by_number(project: Project) -> bool:
    """Whether a sub's limits depend on its number: the page, where subs come and go, cannot say how loud it plays."""
    kinds = [one.model_copy(update=dict(ONE_KIND)) for one in project.amplifiers]
    each = project.drive is not None and bool(project.drive.each_v)
    return each or any(one.subs or one != kinds[0] for one in kinds)


def _limits(limits: Limits) -> dict[str, Any]:
    return {
        "highest": limits.highest_db.tolist(),
        "first": [str(limits.kinds[index]) for index in limits.first],
    }


def _judged(plan: Plan) -> dict[str, Any]:
    """Third-octave bands; the subs' limits and the target, where the project gives them."""
    hz, project = plan.frequency_hz, plan.project
    bands = bands_within(hz)
    loudness = loudness_of(project, hz) if plan.results.loudness_known and not _by_number(project) else None
    limits = None
    if loudness is not None:
        pair = Channel(number=1, amplifier="", output=1, subs=(0, 1), table=project.amplifier)
        both = project.sub_limits(hz, pair) if project.search.shared_drives else None
        limits = {
            **_limits(loudness.limits),
            "pair": None if both is None else _limits(both),
            "target": loudness.target_db,
            "everywhere": project.target.where == "every seat",
            "bands": list(target_bands(project, hz)),
        }
    return {
        "unit": plan.results.level_unit if limits or not plan.results.absolute else MODEL_UNIT,
        "band_of": bands_of(hz).tolist(),
        "bands": [{"number": band, "hz": nominal_hz(band)} for band in bands],
        "limits": limits,
    }


def _drives(project: Project) -> dict[str, Any]:
    """What the processor may do."""
    drives = drives_of(project)
    return {
        "delay": [1e3 * end for end in drives.delay_s],
        "gain": list(drives.gain_db),
        "gain_step": drives.gain_step_db,
        "polarity": drives.polarity,
        "step": 1e3 * drives.delay_step_s,
        "most": MAX_COUNT,
        "distance": project.search.least_distance_m,
        "seat_distance": project.search.seat_distance_m,
    }


def _filters(plan: Plan) -> list[list[list[float]]] | None:
    """Response of each sub's own filters, (n_sub, n_freq, real and imaginary part); None where there are none."""
    if plan.tuning is None or not any(plan.tuning.sub_filters):
        return None
    found = plan.filter_response(plan.frequency_hz, shared=False).T
    return [np.stack([one.real, one.imag], axis=1).tolist() for one in found]


def _drawing(project: Project) -> dict[str, Any]:
    cabinet = cabinet_of(project.subwoofer)
    return {
        **_shape(project.room),
        "keep_outs": [{"name": box.name, "low": list(box.low), "high": list(box.high)} for box in project.keep_outs],
        "zones": [{"name": zone.name, "low": list(zone.low), "high": list(zone.high)} for zone in project.zones],
        "glass": [{"wall": one.wall, "from": one.from_m, "to": one.to_m} for one in glass_of(project)],
        "parts": [
            {"key": one.key, "wall": one.wall, "from": one.from_m[0], "to": one.to_m[0], "name": one.name}
            for one in wall_parts(project)
            if one.wall in UPRIGHT and not one.glass
        ],
        "mains": _mains(project),
        "screen": None
        if project.screen is None
        else {"width": project.screen.width_m, "at": project.screen.distance_m, "wall": project.screen.false_wall},
        "cabinet": None
        if cabinet is None
        else {"size": [cabinet.depth_m, cabinet.width_m, cabinet.height_m], "centre": list(cabinet.centre_m)},
        "colours": [
            [round(255 * part) for part in one] for one in ramp_colours(round((HIGHEST_DB - LOWEST_DB) / STEP_DB))
        ],
        "lowest": LOWEST_DB,
        "step": STEP_DB,
    }


def plan_key(project: Project) -> str:
    """What the plan shows beside subs and seats, in words; empty where there is nothing."""
    parts = [one for one in wall_parts(project) if one.wall in UPRIGHT and not one.glass]
    n_main = len(project.mains.positions_m) if project.mains else 0
    kinds = (
        ("shaded", [clean(block.name, 40) for block in project.room.shape.blocks]),
        ("dashed, kept free", [clean(box.name, 40) for box in project.keep_outs]),
        ("outside the walls", [f"{one.key} {one.name} ({one.wall} wall)" for one in parts]),
        ("blue", ["glass"] if glass_of(project) else []),
        ("main loudspeakers", ["M1" if n_main == 1 else f"M1 to M{n_main}"] if n_main else []),
        ("thick line", ["picture"] if project.screen is not None else []),
    )
    said = [f"{what}: {', '.join(dict.fromkeys(names))}" for what, names in kinds if names]
    return f"In the plan, {'; '.join(said)}." if said else ""


def _mains(project: Project) -> list[dict[str, Any]]:
    """The main loudspeakers: acoustic centre; of cabinets corners from above, and two corners from the side [m]."""
    centres = project.mains.positions_m if project.mains else ()
    bodies = project.mains_bodies or (None,) * len(centres)
    return [
        {
            "at": list(at),
            "corners": None if body is None else [list(corner) for corner in body.corners_m],
            "side": None if body is None else [[box[0], box[2]] for box in (body.low, body.high)],
        }
        for at, body in zip(centres, bodies, strict=True)
    ]


def _shape(room: Room) -> dict[str, Any]:
    """Outlines of the air from above and from the left, and what stands or hangs in them."""
    return {
        "outline": {
            "plan": [loop.tolist() for loop in outline_along(room.shape, 2)],
            "side": [loop.tolist() for loop in outline_along(room.shape, 1)],
        },
        "blocks": [
            {
                "name": block.name,
                "low": list(block.low_m),
                "high": list(block.high_m),
                "overhead": block.low_m[2] > RAISED_M,
            }
            for block in room.shape.blocks
        ],
        "slopes": [
            {"name": one.name, "axis": one.axis, "ends": [list(end) for end in (one.from_m, one.to_m) if end[1] > 0.0]}
            for one in room.shape.slopes
        ],
    }


def _facings(project: Project, position_m: Floats) -> str:
    """Which way the cabinet is turned at each place: r(ear), f(ront), R(ight), l(eft); empty without a cabinet."""
    cabinet = cabinet_of(project.subwoofer)
    if cabinet is None:
        return ""
    letter = {(0, 1): "r", (0, -1): "f", (1, 1): "R", (1, -1): "l"}
    room, keep_outs, shape = project.room.size_m, project.obstacles, project.ground().shape
    points: Sequence[list[float]] = position_m.tolist()
    return "".join(letter[cabinet.facing_at((x, y, z), room, keep_outs, shape)] for x, y, z in points)


def _words(plan: Plan, found: Anywhere) -> dict[str, Any]:
    project = plan.project
    raised = off_floor(project, np.array([zone.high for zone in project.zones] or np.empty((0, 3))))
    low_hz, high_hz = project.search.band_hz
    return {
        "key": plan_key(project),
        "band": f"{low_hz:g} to {high_hz:g} Hz",
        "left_out": list(left_out(plan.results, found)),
        "basis": " ".join(filter(None, (basis_words(plan.results), weighting_words(plan.results)))),
        "cautions": caution_lines(glass=bool(glass_of(project)), raised=raised),
        "closing": f"Made by roommodes {plan.results.software_version} from a plan of {plan.results.created_utc}, "
        f"project {project.sha256[:12]}.",
    }
