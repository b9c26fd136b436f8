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
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

import roommodes as rm

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
project = rm.loads(DRAWN, source="loft.toml")
seats = project.seats
print(f"{project.name}: {len(seats)} seats in {len(project.rows)} rows, {len(SUBS)} subs, one main loudspeaker")

# %% [markdown]
# ## Measurements, invented
#
# The built room is 3 cm longer and loses a little more. Each response becomes a text table (frequency, level, phase)
# with noise 50 dB below its mean; a manifest says which file is which. During the measurement the right sub was 3 dB
# down: the manifest says so, and it is divided out.

# %%
built = project.with_(length_m=5.63, loss_factor=0.02)
hz = np.arange(15.0, 150.0, 0.5)
every = SUBS | MAIN
truth = rm.transfer(built, frequency_hz=hz, seat_m=seats.position_m, source_m=list(every.values())).values
rng = np.random.default_rng(7)
noise = rng.normal(size=(2, *truth.shape)) * np.sqrt(np.mean(np.abs(truth) ** 2) / 2) * 10 ** (-50 / 20)
recorded = truth + noise[0] + 1j * noise[1]
recorded[:, :, 1] *= 10 ** (-3 / 20)

held = tempfile.TemporaryDirectory()
folder = Path(held.name)
manifest = ['format = 1\nname = "one evening"']
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
measured = rm.measurements(folder / "evening.toml", project)
for note in measured.notes:
    print("-", note)
at = np.interp(measured.frequency_hz, hz, np.abs(truth[:, 0, 1]))
read = np.abs(measured.transfer[:, 0, 1])
off_db = 20 * np.log10(read / at)
off_db -= np.median(
    20 * np.log10(np.abs(measured.transfer[:, 0, 0]) / np.interp(measured.frequency_hz, hz, np.abs(truth[:, 0, 0])))
)
print(f"the right sub at {seats.name[0]}: read back within {np.median(np.abs(off_db)):.2f} dB, the 3 dB given back")
assert np.median(np.abs(off_db)) < 0.1

# %% [markdown]
# ## Drives
#
# Every measured sub plays; gain, delay and polarity are searched on the measured responses. The plan goes into a file
# that holds the measurements too, and from which the search can be repeated.

# %%
results = rm.search(project, measured=measured, counts=(3,))
plan = results.plan(3)
rm.save(results, folder / "plan.h5")
again = rm.open(folder / "plan.h5").again().plan(3)
assert np.array_equal(again.drives.delay_s, plan.drives.delay_s)

alike = plan.with_drives(rm.Drives.alike(3))
free_db = plan.table.merits.weights_db[0]
print(
    f"variation: {alike.variation_db:.2f} dB with identical settings, {plan.variation_db:.2f} dB as searched, "
    f"{free_db:.2f} dB free"
)
assert abs(plan.response().variation_db() - plan.variation_db) < 1e-9  # the stored figure, worked out again
assert plan.variation_db < alike.variation_db - 0.5
assert free_db <= plan.variation_db

# %% [markdown]
# Were these drives found in the measurements or only in their noise? Try them in the room without noise.

# %%
there = rm.judge(built, list(SUBS.values()), plan.drives)
print(f"in the room itself: {there.variation_db:.2f} dB")
assert abs(there.variation_db - plan.variation_db) < 0.15

# %% [markdown]
# ## Filters
#
# First a few on single subs, where they take something off the variation; then some that all share, toward a target
# 4 dB up at 20 Hz. Common filters leave the variation as it is, and never add more than every seat lacks.

# %%
tuned = plan.tuned(per_sub=1, target={20: 4, 120: 0})
tuning = tuned.tuning
for sub, own in enumerate(tuning.sub_filters, start=1):
    print(
        f"sub {sub}:", ", ".join(f"{one.kind} {one.frequency_hz} Hz Q {one.q} {one.gain_db} dB" for one in own) or "-"
    )
print("all  :", ", ".join(f"{one.frequency_hz} Hz Q {one.q} {one.gain_db} dB" for one in tuning.shared))
print(f"variation {tuning.variation_before_db:.2f} -> {tuning.variation_after_db:.2f} dB")
price = tuning.price
print(f"price: {price.boost_db:.1f} dB of boost at {price.boost_hz:.0f} Hz, {price.level_lost_db:.1f} dB of level")
own = tuned.filter_response(tuned.frequency_hz, shared=False)
shared_db = 20 * np.log10(np.abs(tuned.filter_response(tuned.frequency_hz) / own))[:, 0]
assert (shared_db <= np.maximum(tuning.ceiling_db, 0.5) + 1e-9).all()  # skirts of half a decibel aside
assert shared_db.max() <= 3.0 + 1e-9
assert tuning.variation_after_db <= tuning.variation_before_db
assert abs(tuned.response().variation_db() - tuning.variation_after_db) < 1e-9

target = np.interp(np.log(tuned.frequency_hz), np.log([20.0, 120.0]), [4.0, 0.0])


def misfit_db(response):
    """Rms deviation of the average over the seats from the target, wherever it stands."""
    return float(np.std(response.mean_db() - target))


print(f"mean from target: {misfit_db(plan.response()):.1f} -> {misfit_db(tuned.response()):.1f} dB")
assert misfit_db(tuned.response()) < misfit_db(plan.response())

# %%
with rm.plot.style():
    figure, (upper, lower) = plt.subplots(2, 1, figsize=(9.0, 7.0), layout="constrained")
    rm.plot.seats(upper, alike, title=f"Measured, all subs alike: variation {alike.variation_db:.2f} dB")
    rm.plot.seats(lower, tuned, title=f"Measured, drives and filters: variation {tuning.variation_after_db:.2f} dB")

# %% [markdown]
# ## The main loudspeaker
#
# Low-pass on all subs, high-pass on the main, and one delay and polarity for all subs, so that the sum is full and even
# through the crossover at every seat. A Linkwitz-Riley crossover itself sums flat; the room and the distances do not.

# %%
met = tuned.mains()
best = met.best
print(f"{best.crossover.words}: subs {1e3 * best.delay_s:+.2f} ms, polarity {best.polarity:+d}, {best.gain_db:+.1f} dB")
for word, one in (("set", best), ("inverted", met.inverted), ("no delay", met.plain)):
    print(f"  {word:9} summation loss {one.merit.shortfall_db:.2f} dB, variation {one.merit.variation_db:.2f} dB")
assert best.merit.score_db <= min(met.inverted.merit.score_db, met.plain.merit.score_db)
both = np.abs(best.low)[:, :, None] + np.abs(best.high)
assert (np.abs(best.total) <= both * (1 + 1e-12)).all()  # no sum exceeds its parts in phase
polarity = -1.0 if best.crossover.sums_inverted else 1.0
low, high = best.crossover.responses(tuned.frequency_hz, 48000.0)
assert np.abs(20 * np.log10(np.abs(low + polarity * high))).max() < 1e-6  # the filters alone sum flat
ready = tuned.crossed()  # the plan with its filters and this crossover
assert ready.crossover.delay_s == best.delay_s

# %% [markdown]
# ## Rows, and time
#
# What does one setting cost each row against one of its own? How long does it ring, and how late is the last sub?

# %%
rows = ready.rows()
for cost in rows.costs:
    row = project.rows[cost.row].name
    print(f"{row}: {cost.here_db:.2f} dB, alone {cost.alone_db:.2f} dB: cost {cost.cost_db:.2f} dB")
assert all(cost.alone_db <= cost.here_db for cost in rows.costs)

over_time = ready.decay()
late_ms = 1e3 * over_time.late_s.max()
print(f"the last sub comes up to {late_ms:.1f} ms after the first")
spread_ms = 1e3 * np.ptp(ready.drives.delay_s)
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
values = ready.settings()
for sub in values.subs:
    delay = f"{1e3 * sub.delay_s:5.2f} ms ({sub.delay_samples} samples)"
    polarity = "normal" if sub.polarity > 0 else "inverted"
    print(f"{sub.zone:6} {sub.gain_db:5.1f} dB, {delay}, {polarity}, {len(sub.filters)} filters")
assert min(sub.delay_s for sub in values.subs) == 0.0
rm.save(ready, folder / "ready.h5")
assert rm.open(folder / "ready.h5").plan().crossover.delay_s == best.delay_s
held.cleanup()

# %% [markdown]
# Start quietly: loud bass harms by level and time. Measure again with everything dialled in, at every seat, and keep
# only what the measurement confirms. Mind glass, what is fixed overhead, amplifier loads and mains; local codes and
# licensed trades have the last word.
