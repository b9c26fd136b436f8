"""What becomes of a plan file's plans in rooms that are not built exactly as drawn.

A scrambled Sobol' sequence gives two samples A and B of built rooms; both stand behind the percentiles, and the
first points of A mixed with B, group by group, behind the indices (`tolerance.shares`). The field in each room comes
from `tolerance.field`. Every figure is the plan file's own plus the difference that the room makes, so that the
reduced equations cancel where nothing differs.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.plan.plan import Results
from roommodes.plan.tolerance import PERCENTILES, FirstPlan, Shares, Tolerance, ToleranceTable, percentile_errors
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.responses.metrics import normalised
from roommodes.running import Running
from roommodes.storage.stamp import Made
from solvers.tolerance.design import Design, Heard
from solvers.tolerance.forecast import in_words, seconds_for
from solvers.tolerance.inputs import inputs_of
from solvers.tolerance.plans import Leading, leading_plans
from solvers.tolerance.reduction import reduced_field
from solvers.tolerance.sampling import MOST_HALF, Sampled, sampled
from solvers.tolerance.worst import worst_words

FREQUENCIES = 96  # at most, over the band: a plan's own are mostly fewer, and are taken then
FEWER = (
    "; the plan file has {}, and fewer move percentiles: on the demo 24 in place of 42 by up to 0.4 dB at 90 %; "
    "--frequencies takes more"
)
SHARE_POINTS = 128  # points of A and of B behind the indices, at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of the tolerance: rooms, plans, checks, shares.

    Parameters
    ----------
    draws : built rooms behind the percentiles, rounded up to a power of two; None for as many as settle them, see
        `tolerance.sampling`.
    seed : of the rooms.
    plans : leading plans of each number of subs.
    counts : numbers of subs; None for all in the file.
    checked : rooms that the full equations work out again, see `Design.error_db`.
    indices : whether to say which uncertainty matters most.
    """

    draws: int | None = None
    seed: int = 1
    plans: int = 3
    counts: tuple[int, ...] | None = None
    checked: int = 2
    indices: bool = True

    @property
    def half(self) -> int:
        """Half the rooms, at most: a power of two, so that the sequence fills the cube evenly."""
        if self.draws is None:
            return MOST_HALF
        return int(2 ** max(0, (self.draws - 1).bit_length() - 1))


def lean_grid(project: Project, most: int | None = None) -> Floats:
    """The project's band on at most so many frequencies, more where the crossover weights them: (n_freq,) [Hz].

    None stands for `FREQUENCIES`.
    """
    most, search = FREQUENCIES if most is None else most, project.search
    low, high = search.band_hz
    per_octave = min((most - 1) / float(np.log2(high / low)), search.points_per_octave)
    return search_grid_hz(search, project.mains, points_per_octave=per_octave)


def tolerance_of(
    results: Results,
    asked: Asked,
    *,
    frequency_hz: Floats | None = None,
    running: Running = Running(),
) -> Tolerance:
    """Percentiles, bands, indices and the worst case of the leading plans.

    Parameters
    ----------
    results : the plans, and the project that says what is uncertain.
    asked : what is to be worked out.
    frequency_hz : (n_freq,) in place of `lean_grid` [Hz].
    running : progress, cancelling, threads; once cancelled, what is done so far is returned.

    Raises
    ------
    Interrupted : cancelled before the first rooms were done.
    OutsideModel : the model cannot take this project.
    """
    results.project.require_file("a tolerance")
    leading = leading_plans(results, plans=asked.plans, counts=asked.counts)
    design = design_of(
        results,
        asked,
        leading,
        frequency_hz=lean_grid(results.project) if frequency_hz is None else frequency_hz,
        running=running,
    )
    rooms = sampled(design, running)
    checked = 0 if running.stop_asked() or not design.inputs.size else min(asked.checked, design.half)
    error = design.error_db(checked, running=running.silent().unstoppable())
    heard = _Gathered.of(design, rooms)
    tables = {}
    first = 0
    for count, ranks in leading.counts.items():
        tables[count] = _table(results, count, ranks, heard, design, first)
        first += len(ranks)
    return Tolerance(
        project_toml=results.project.toml_text,
        project_sha256=results.project.sha256,
        made=Made.now(asked.seed),
        draws_asked=rooms.asked,
        frequency_hz=design.field.frequency_hz,
        seat_name=results.seats.name,
        group_name=tuple(design.inputs.groups),
        method=_method(design, heard.variation_db, rooms, len(results.frequency_hz)),
        checked=checked,
        error_db=error,
        plans=tables,
    )


def design_of(
    results: Results,
    asked: Asked,
    leading: Leading,
    *,
    frequency_hz: Floats,
    running: Running = Running(),
) -> Design:
    """The sampled rooms for some plans of a results file, ready to be worked out; arguments as for `tolerance_of`."""
    listening = results.project.listening()
    inputs = inputs_of(
        results.project,
        ear_m=listening.position_m,
        ear_seat=listening.seat,
        cabinet_m=results.candidates.position_m[leading.candidate],
        n_slot=max(leading.counts),
    )
    points = min(SHARE_POINTS, asked.half) if asked.indices else 0
    seconds = seconds_for(
        inputs,
        rooms=2 * asked.half + points * len(inputs.groups),
        checked=asked.checked,
        frequency_hz=frequency_hz,
    )
    field = reduced_field(inputs, frequency_hz=frequency_hz, seed=asked.seed, running=running, note=in_words(seconds))
    return Design(
        inputs=inputs,
        field=field,
        plans=leading.flat,
        first=leading.first,
        listening=listening,
        half=asked.half,
        counted=asked.draws is not None,
        share_points=points,
        seed=asked.seed,
        response=_response(results, leading, frequency_hz),
    )


def _response(results: Results, leading: Leading, frequency_hz: Floats) -> Complexes | None:
    """Of the kind at each place in use over the first kind's: (n_freq, n_cabinet); None where there is one kind."""
    if len(results.project.kinds) == 1:
        return None
    return results.project.kind_response(frequency_hz)[:, results.candidates.kind[leading.candidate]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Gathered:
    """All rooms together, A's before B's, as of `Heard`; the drawn room; shares by the place of their plan."""

    variation_db: Floats
    mean_db: Floats
    level_db: NDArray[np.float32]
    drawn: Heard
    shares: Mapping[int, Shares]

    @classmethod
    def of(cls, design: Design, rooms: Sampled) -> "_Gathered":
        """From the design's parts in their order."""
        order = [part.a for part in rooms.parts] + [part.b for part in rooms.parts]
        return cls(
            variation_db=np.concatenate([one.variation_db for one in order], axis=1),
            mean_db=np.concatenate([one.mean_db for one in order], axis=1),
            level_db=np.concatenate([one.level_db for one in order], axis=1),
            drawn=design.drawn(),
            shares={} if rooms.shares is None else dict(zip(design.first, rooms.shares, strict=True)),
        )


def _table(
    results: Results, count: int, ranks: NDArray[np.intp], heard: _Gathered, design: Design, first: int
) -> ToleranceTable:
    """The plans with one number of subs: the one to be built with all that is told of it, others by their 90 %."""
    source, rows = results.plans[count], slice(first, first + len(ranks))
    differs = float(design.inputs.size > 0)  # where nothing is uncertain, not even rounding counts
    change = differs * (heard.variation_db[rows] - heard.drawn.variation_db[rows])
    variation = np.maximum(source.variation_db[ranks][:, None] + change, 0.0)
    louder = differs * (heard.mean_db[rows] - heard.drawn.mean_db[rows])
    ninety = np.percentile(variation, 90.0, axis=1)
    order = np.array([0, *(1 + np.argsort(ninety[1:], kind="stable"))])
    level = heard.level_db[first].astype(np.float64)
    mean = level @ normalised(np.bincount(design.listening.seat, design.listening.weight))
    chosen = ranks[order]
    return ToleranceTable(
        rank=chosen.astype(np.int64),
        candidate_index=source.candidate_index[chosen],
        gain_db=source.gain_db[chosen],
        delay_s=source.delay_s[chosen],
        polarity=source.polarity[chosen].astype(np.int64),
        variation_db=source.variation_db[chosen],
        output_db=source.output_db[chosen],
        variation_draw_db=variation[order],
        output_draw_db=(source.output_db[ranks][:, None] + louder)[order],
        first=FirstPlan(
            level_percentile_db=np.moveaxis(np.percentile(level, PERCENTILES, axis=0), 0, -1),
            mean_percentile_db=np.moveaxis(np.percentile(mean, PERCENTILES, axis=0), 0, -1),
            shares=heard.shares.get(first),
            worst=worst_words(design, int(np.argmax(variation[0])), variation.shape[1]),
        ),
    )


def _method(design: Design, variation_db: Floats, rooms: Sampled, planned: int) -> tuple[str, ...]:
    """How it was computed; `planned` is the number of the plan file's frequencies."""
    field = design.field
    if not design.inputs.size:
        return ("nothing is uncertain: every room is the drawn one",)
    sizes = [len(level.overlap) for level in field.levels]
    lines = [
        f"{variation_db.shape[1]} built rooms from a scrambled Sobol' sequence of seed {design.seed}; every spread is "
        f"even; 90th percentiles to within {percentile_errors(variation_db, (90.0,)).max():.2f} dB (standard error)",
        f"field: the model's equations at {len(field.frequency_hz)} frequencies, reduced from {field.boundary_size} to "
        f"{min(sizes)} to {max(sizes)} unknowns; room modes, places and wall strengths anew in every room",
        "figures: the plan file's own plus the difference that the room makes on these frequencies"
        + (FEWER.format(planned) if len(field.frequency_hz) < planned else ""),
    ]
    if design.response is not None:
        lines.append("kinds of subwoofer: each with its own response over the first one's, as in the project")
    if design.inputs.geometry is not None:
        lines.append(
            "shape: blocks and slopes grow with the room; their faces and heights, to first order, move the drawn "
            "room's modes and mix them"
        )
        if held := design.inputs.geometry.held:
            lines.append(f"held, since it would part from what it touches, or pass it: {', '.join(held)}")
    if rooms.shares is not None:
        few, most = rooms.points
        lines.append(
            f"shares: Sobol' indices of variance from {most} of the points"
            + (f", for what is settled sooner from fewer, {few} at least" if few < most else "")
            + "; first order by Saltelli (2010), total by Jansen (1999) over the variance of the two samples compared, "
            "intervals of 90 % by resampling"
        )
    return tuple(lines)
