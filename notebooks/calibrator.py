# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # From measurements to settings
#
# The room is built, three subwoofers and a main loudspeaker stand, and a microphone has been at every seat. What is
# dialled into the processor? On site nobody asks the drawing: the same search runs on what was measured. Then come a
# few filters, the main loudspeaker, and a look at time. The commands `optimise --measured`, `tune`, `crossover`,
# `rows`, `decay` and `settings` do the same.
#
# Room and measurements are invented, and the measurements are made here, from the model of a room that is not quite as
# drawn, with noise on top. With files of your own begin at "Reading them".

# %%
import tempfile
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np

from cli.figures.common_axes import STYLE, figure_bytes, new_figure, seat_levels
from roommodes.acoustics.transfer import transfer_function
from roommodes.filters.biquads import response
from roommodes.filters.sections import section_response
from roommodes.measured.loading import load_manifest
from roommodes.plan.file import read_results, write_results
from roommodes.plan.starting_values import starting_values
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.crossover.with_mains import meet_mains
from solvers.listening.over_time import plan_over_time
from solvers.listening.row_compromise import compromise
from solvers.plans.solve_again import solve_again
from solvers.plans.solve_measured import measured_ground, solve_measured
from solvers.tuning.equaliser import SKIRT_DB, EqualiserLimits
from solvers.tuning.sub_filters import SubFilterLimits
from solvers.tuning.tune import settings_of, tune


class Picture:
    """A figure as a notebook shows it."""

    def __init__(self, figure):
        with mpl.rc_context(STYLE):
            self.png = figure_bytes(figure, ".png")

    def _repr_png_(self):
        return self.png


# %% [markdown]
# ## The project
#
# Seats, limits of the processor, the crossover. The zones matter no more: the subs stand.

# %%
DRAWN = """
format = 1
name = "Loft (invented)"
[room]
length_m = 5.6
width_m = 4.1
height_m = 2.5
loss_factor = 0.015
[walls]
front = "plasterboard on studs"
rear = "brick"
ceiling = "plasterboard on battens"
[[rows]]
name = "front"
x_m = 2.9
y_m = [1.25, 2.05, 2.85]
ear_height_m = 1.05
[[rows]]
name = "rear"
x_m = 4.4
y_m = [1.4, 2.7]
ear_height_m = 1.3
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.8, 0.3]
[mains]
measured = ["main"]
frequency_hz = 70
[search]
band_hz = [20, 120]
delay_ms = [0, 15]
"""
SUBS = {"left": (0.3, 0.4, 0.3), "right": (0.3, 3.6, 0.3), "rear": (5.3, 1.1, 0.3)}
MAIN = {"main": (0.4, 2.05, 0.9)}
project = parse_project(DRAWN, source="loft.toml")
seats = project.seats
print(f"{project.name}: {len(seats)} seats in {len(project.rows)} rows, {len(SUBS)} subs, one main loudspeaker")

# %% [markdown]
# ## Measurements, invented
#
# The built room is 3 cm longer and loses a little more. Each response becomes a text table (frequency, level, phase)
# with noise 50 dB below its mean; a manifest says which file is which. During the measurement the right sub was 3 dB
# down: the manifest says so, and it is divided out.

# %%
built = parse_project(DRAWN.replace("5.6", "5.63").replace("0.015", "0.02"), source="built.toml")
hz = np.arange(15.0, 150.0, 0.5)
every = SUBS | MAIN
truth = transfer_function(
    built.room, built.surfaces(), frequency_hz=hz, seat_m=seats.position_m, source_m=np.array(list(every.values()))
)
rng = np.random.default_rng(7)
noise = rng.normal(size=(2, *truth.shape)) * np.sqrt(np.mean(np.abs(truth) ** 2) / 2) * 10 ** (-50 / 20)
recorded = truth + noise[0] + 1j * noise[1]
recorded[:, :, 1] *= 10 ** (-3 / 20)

held = tempfile.TemporaryDirectory()
folder = Path(held.name)
manifest = ['format = 1\nname = "one evening"\n[grid]\npoints_per_octave = 84']
for sub, position in every.items():
    gain = "gain_db = -3.0" if sub == "right" else "gain_db = 0.0"
    manifest.append(f'[[subs]]\nname = "{sub}"\nposition_m = {list(position)}\n{gain}')
for s, seat in enumerate(seats.name):
    for c, sub in enumerate(every):
        file = f"{sub} at {seat}.txt"
        value = recorded[:, s, c]
        columns = np.column_stack([hz, 20 * np.log10(np.abs(value)), np.degrees(np.angle(value))])
        np.savetxt(folder / file, columns, fmt="%.4f", header="Hz dB degrees (invented)")
        manifest.append(f'[[responses]]\nsub = "{sub}"\nseat = "{seat}"\nfile = "{file}"')
(folder / "evening.toml").write_text("\n".join(manifest), encoding="utf-8")
print(f"{len(list(folder.glob('*.txt')))} tables and evening.toml")

# %% [markdown]
# ## Reading them

# %%
found = load_manifest(folder / "evening.toml", project)
for note in found.notes:
    print("-", note)
ground = measured_ground(project, found)
at = np.interp(found.frequency_hz, hz, np.abs(truth[:, 0, 1]))
scale = 10 ** (ground.record.scale_db / 20)
off_db = 20 * np.log10(np.abs(ground.transfer[:, 0, 1]) / (scale * at))
print(f"the right sub at {seats.name[0]}: read back within {np.median(np.abs(off_db)):.2f} dB, the 3 dB given back")
assert np.median(np.abs(off_db)) < 0.1

# %% [markdown]
# ## Drives
#
# Every measured sub plays; gain, delay and polarity are searched on the measured responses. The plan goes into a file
# that holds the measurements too, and from which the search can be repeated.

# %%
results = solve_measured(project, ground, counts=(3,))
table = results.plans[3]
write_results(folder / "plan.h5", results, force=False)
again = solve_again(read_results(folder / "plan.h5"))
assert np.array_equal(again.plans[3].delay_s, table.delay_s)


def levels(gain_db, delay_s, polarity):
    """Level at every seat with drives for all three subs."""
    weights = drive_weights(results.frequency_hz, gain_db=gain_db, delay_s=delay_s, polarity=polarity)
    return level_db(seat_pressure(results.transfer, weights))


alike = levels([0, 0, 0], [0, 0, 0], [1, 1, 1])
driven = levels(table.gain_db[0], table.delay_s[0], table.polarity[0])
before, after = variation_db(alike, seats.weight), variation_db(driven, seats.weight)
print(
    f"variation: {before:.2f} dB all alike, {after:.2f} dB as searched, {table.weights_db[0]:.2f} dB with free weights"
)
assert abs(after - table.variation_db[0]) < 1e-9  # the stored figure, worked out again
assert after < before - 0.5
assert table.weights_db[0] <= after

# %% [markdown]
# Were these drives found in the measurements or only in their noise? Try them in the room without noise.

# %%
clean = np.array([np.interp(results.frequency_hz, hz, np.abs(one)) for one in truth[:, :, :3].reshape(len(hz), -1).T])
phase = [
    np.interp(results.frequency_hz, hz, np.unwrap(np.angle(one))) for one in truth[:, :, :3].reshape(len(hz), -1).T
]
quiet = (clean * np.exp(1j * np.array(phase))).T.reshape(results.transfer.shape)
weights = drive_weights(
    results.frequency_hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0]
)
there = variation_db(level_db(seat_pressure(quiet, weights)), seats.weight)
print(f"in the room itself: {there:.2f} dB")
assert abs(there - after) < 0.15

# %% [markdown]
# ## Filters
#
# First a few on single subs, where they take something off the variation; then some that all share, toward a target
# 4 dB up at 20 Hz. What all share leaves the variation as it is. The shared ones never add more than every seat lacks.

# %%
limits = settings_of(own=SubFilterLimits(per_sub=1), shared=EqualiserLimits(boost_db=2.0), rate_hz=48000.0)
target = np.interp(np.log(results.frequency_hz), np.log([20.0, 120.0]), [4.0, 0.0])
tuning = tune(results, subs=3, rank=0, settings=limits, shape_db=target)
for sub, own in enumerate(tuning.sub_filters, start=1):
    print(
        f"sub {sub}:", ", ".join(f"{one.kind} {one.frequency_hz} Hz Q {one.q} {one.gain_db} dB" for one in own) or "-"
    )
print("all  :", ", ".join(f"{one.frequency_hz} Hz Q {one.q} {one.gain_db} dB" for one in tuning.shared))
print(f"variation {tuning.variation_before_db:.2f} -> {tuning.variation_after_db:.2f} dB")
print(f"price: {tuning.boost_db:.1f} dB of boost at {tuning.boost_hz:.0f} Hz, {tuning.level_lost_db:.1f} dB of level")
shared_db = 20 * np.log10(np.abs(section_response(tuning.shared, results.frequency_hz, rate_hz=48000.0)))
assert (shared_db <= np.maximum(tuning.ceiling_db, SKIRT_DB) + 1e-9).all()
assert shared_db.max() <= 2.0 + 1e-9
assert tuning.variation_after_db <= tuning.variation_before_db


def misfit_db(level):
    """Rms deviation of the seats' mean from the target, wherever it stands."""
    return float(np.std((level @ seats.weight) / seats.weight.sum() - target))


print(f"mean from target: {misfit_db(tuning.before_db):.1f} -> {misfit_db(tuning.after_db):.1f} dB")
assert misfit_db(tuning.after_db) < misfit_db(tuning.before_db)

# %%
with mpl.rc_context(STYLE):
    figure = new_figure(9.0, 7.0)
    for axes, level, word in zip(
        figure.subplots(2, 1), (alike, tuning.after_db), ("all subs alike", "drives and filters"), strict=True
    ):
        seat_levels(
            axes,
            frequency_hz=results.frequency_hz,
            level_db=level - float(level.mean()),
            seat_name=seats.name,
            seat_row=seats.row.tolist(),
            title=f"Measured, {word}: variation {variation_db(level, seats.weight):.2f} dB",
            level_label="re mean [dB]",
        )
Picture(figure)

# %% [markdown]
# ## The main loudspeaker
#
# Low-pass on all subs, high-pass on the main, and one delay and polarity for all subs, so that the sum is full and even
# through the crossover at every seat. A Linkwitz-Riley crossover itself sums flat; the room and the distances do not.

# %%
tuned = replace(results, tuning=tuning)
met = meet_mains(project, tuned, subs=3, rank=0, crossover=project.mains.filters)
best = met.best
print(f"{best.crossover.words}: subs {1e3 * best.delay_s:+.2f} ms, polarity {best.polarity:+d}, {best.gain_db:+.1f} dB")
for word, one in (("set", best), ("inverted", met.inverted), ("no delay", met.plain)):
    print(f"  {word:9} shortfall {one.merit.shortfall_db:.2f} dB, variation {one.merit.variation_db:.2f} dB")
assert best.merit.score_db <= min(met.inverted.merit.score_db, met.plain.merit.score_db)
both = np.abs(best.low)[:, :, None] + np.abs(best.high)
assert (np.abs(best.total) <= both * (1 + 1e-12)).all()  # no sum exceeds its parts in step
polarity = -1.0 if best.crossover.sums_inverted else 1.0
sections = best.crossover.low_pass(48000.0), best.crossover.high_pass(48000.0)
low, high = (response(one, results.frequency_hz, rate_hz=48000.0) for one in sections)
assert np.abs(20 * np.log10(np.abs(low + polarity * high))).max() < 1e-6  # the filters alone sum flat

# %% [markdown]
# ## Rows, and time
#
# What does one setting cost each row against one of its own? How long does it ring, and how late is the last sub?

# %%
rows = compromise(project, results, subs=3, rank=0)
for cost in rows.costs:
    row = project.rows[cost.row].name
    print(f"{row}: {cost.here_db:.2f} dB, alone {cost.alone_db:.2f} dB: cost {cost.cost_db:.2f} dB")
assert all(cost.alone_db <= cost.here_db for cost in rows.costs)

over_time = plan_over_time(project, results, subs=3, rank=0)
late_ms = 1e3 * over_time.late_s.max()
print(f"the last sub comes up to {late_ms:.1f} ms after the first")
spread_ms = 1e3 * np.ptp(table.delay_s[0])
assert late_ms <= spread_ms + 1e3 * 6.5 / 343  # delays, and the room's longest way

# %% [markdown]
# The loss of the built room is 0.02, so a mode of its bulk alone at f hertz would ring for ln(1000) / (0.02 pi f)
# seconds; walls only shorten that. The measured decays must not be longer.

# %%
view = over_time.after.view
for centre, decay, shortest in list(zip(view.centre_hz, view.decay_s, view.shortest_s, strict=True))[6::6]:
    print(f"{centre:6.1f} Hz: {decay:.2f} s (shortest visible {shortest:.2f} s)")
seen = np.isfinite(view.decay_s) & (view.centre_hz > 30.0)
bulk_s = np.log(1e3) / (np.pi * 0.02 * view.centre_hz)
assert seen.any()
assert (view.decay_s[seen] < 1.25 * bulk_s[seen] + view.shortest_s[seen]).all()

# %% [markdown]
# ## Settings

# %%
values = starting_values(
    positions_m=results.candidates.position_m[table.candidate_index[0]].tolist(),
    zones=[results.candidates.zone[index] for index in table.candidate_index[0]],
    gain_db=table.gain_db[0].tolist(),
    delay_s=table.delay_s[0].tolist(),
    polarity=table.polarity[0].tolist(),
    room=project.room,
    rate_hz=48000.0,
)
for sub in values.subs:
    delay = f"{1e3 * sub.delay_s:5.2f} ms ({sub.delay_samples} samples)"
    print(f"{sub.zone:6} {sub.gain_db:5.1f} dB, {delay}, {'normal' if sub.polarity > 0 else 'inverted'}")
held.cleanup()

# %% [markdown]
# Start quietly: loud bass harms by level and time. Measure again with everything dialled in, at every seat, and keep
# only what the measurement confirms. Mind glass, what is fixed overhead, amplifier loads and mains; local codes and
# licensed trades have the last word.
