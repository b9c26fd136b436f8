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
# # From a drawing to a plan
#
# A garden room is to become a cinema. One long wall is glass, the ceiling is light, a bank of cabinets closes the rear.
# Where do subwoofers go, how many, and how is each driven? This is `roommodes` step by step, in Python; the command
# `roommodes optimise` does all of it at once.
#
# The room is the demo's and is invented. Change it, or read your own file with `rm.load("room.toml")`.

# %%
import matplotlib.pyplot as plt
import numpy as np

import roommodes as rm

# %% [markdown]
# ## The drawing
#
# Seats come first and everything follows from them. Candidates are the positions that the zones allow once doors,
# equipment and the cabinet's own size have taken their share.

# %%
project = rm.demo()
room, seats, candidates = project.room, project.seats, project.candidates
print(f"{project.name}: {room.length_m} x {room.width_m} x {room.height_m} m, {room.volume_m3:.0f} m3")
print(f"{len(seats)} seats, {len(candidates)} candidates")
for surface in project.surfaces():
    print(f"  {surface.name}")

# %%
with rm.plot.style():
    figure, axes = plt.subplots(figsize=(6.5, 5.6))
    rm.plot.project(axes, project, title="Where a sub may stand")

# %% [markdown]
# ## What the room does
#
# With rigid walls the first mode across the room lies at c / (2 width). Glass gives way: below its resonances it is a
# spring, above them a mass, and the mode moves. So do its nulls, which are where a seat should not be.

# %%
modes = project.modes(max_hz=60.0)
print("mode    rigid Hz  built Hz  decay s")
for mode in modes:
    print(
        f"{' '.join(map(str, mode.number)):6}  {mode.rigid_hz:8.2f}  {mode.frequency_hz:8.2f}  {mode.decay_time_s:7.2f}"
    )

# a wall's resonance near a mode makes two of it: that with the larger share of the response is meant
across = max((mode for mode in modes if mode.number == (0, 1, 0)), key=lambda mode: mode.share)
assert abs(across.rigid_hz - room.air.speed_of_sound_m_s / (2.0 * room.width_m)) < 1e-6
shift_hz = across.frequency_hz - across.rigid_hz
assert 0.3 < shift_hz < 2.0  # the large panes are past their resonance there, masses that push it up by about a hertz
print(f"\nThe first mode across the room moves by {shift_hz:.2f} Hz, its null by {across.largest_shift_m:.2f} m.")

# %% [markdown]
# Two things must hold whatever the walls are. Without them nothing moves, and the decay is the bulk's own,
# $T_{60} = \ln(10^3) / (\pi f \eta)$. And sound is reciprocal: a seat hears a sub as a sub in the seat would be heard
# where the sub stands.

# %%
bare = project.with_(walls=dict.fromkeys(("front", "rear", "left", "right", "floor", "ceiling"), "rigid"), regions=[])
for mode in bare.modes(max_hz=60.0):
    assert abs(mode.frequency_hz / mode.rigid_hz - 1.0) < 1e-4
    assert abs(mode.decay_time_s * np.pi * mode.rigid_hz * room.loss_factor / np.log(1e3) - 1.0) < 1e-3

hz = [25.0, 40.0, 63.0, 100.0]
seat, sub = seats.position_m[:1], candidates.position_m[:1]
there = rm.transfer(project, frequency_hz=hz, seat_m=seat, source_m=sub).values
back = rm.transfer(project, frequency_hz=hz, seat_m=sub, source_m=seat).values
assert np.abs(there - back).max() < 1e-5 * np.abs(there).max()
print("reciprocal within", f"{np.abs(there - back).max() / np.abs(there).max():.0e}")

# %% [markdown]
# ## What was planned: two in the front corners, alike
#
# The `[layout]` of the project. Both rows hear very different bass.

# %%
before = rm.predict(project)
with rm.plot.style():
    figure, axes = plt.subplots(figsize=(8.0, 3.6))
    rm.plot.seats(axes, before, title=f"Two in the front corners: variation {before.variation_db:.2f} dB")

# %% [markdown]
# ## The plan
#
# The transfer functions are computed once; then positions, gains, delays and polarities are searched together, for one,
# two and four subs. That is all that "best" means: the best of these candidates, in this model, by this measure. The
# plan to build is the one whose last subs still gained enough evenness.

# %%
results = rm.search(project)
print("subs  variation  alike   free    output")
for count, table in results.plans.items():
    print(
        f"{count:4}  {table.variation_db[0]:6.2f} dB  {table.merits.alike_db[0]:4.2f} dB  "
        f"{table.merits.weights_db[0]:4.2f} dB  {table.output_db[0]:4.1f} dB   {table.found.stop}"
    )
plan = results.recommended()
print(f"\nto build: {plan.subs} subs")
for reason in results.choices.recommendation.reasons:
    print(f"  {reason}")

# %% [markdown]
# *Alike* is the same positions without any drives, *free* with the best weights found there that are free at every
# frequency. The figure of merit is nothing but the seats' levels compared: anybody can work it out again from the
# transfer functions and the drives, and the results file holds both.

# %%
pressure = np.einsum("fsc,fc->fs", plan.transfer, plan.drives.weights(plan.frequency_hz))
level = 20 * np.log10(np.abs(pressure))
share = seats.weight / seats.weight.sum()
by_hand = np.sqrt(np.mean(((level - (level @ share)[:, None]) ** 2) @ share))
assert abs(by_hand - plan.variation_db) < 1e-9
again = rm.judge(project, plan.positions_m, plan.drives)  # positions and drives put to the model anew
assert abs(again.variation_db - plan.variation_db) < 0.01

alike = plan.with_drives(rm.Drives.alike(plan.subs))
free_db = plan.table.merits.weights_db[0]
assert abs(alike.variation_db - plan.table.merits.alike_db[0]) < 1e-6
assert free_db < plan.variation_db < alike.variation_db
evenness = [table.variation_db[0] for table in results.plans.values()]
assert evenness == sorted(evenness, reverse=True)  # more subs, more even
assert results.plan(2).variation_db < before.variation_db - 1.0  # with as many subs as were planned
assert plan.variation_db < results.choices.usual.driven_variation_db.min()  # than any usual layout, driven its best
print(f"variation: {before.variation_db:.2f} dB in the front corners, {plan.variation_db:.2f} dB as planned")
print(f"output:    {before.output_db:.1f} dB in the front corners, {plan.output_db:.1f} dB as planned")

# %% [markdown]
# What the joiner and the calibrator get: where each sub stands, and its starting values.

# %%
for sub in plan.settings(filters=False).subs:
    x, y, z = sub.position_m
    drive = f"{sub.gain_db:.1f} dB, {1e3 * sub.delay_s:.2f} ms, {'normal' if sub.polarity > 0 else 'inverted'}"
    print(f"sub {sub.number}, {sub.zone}: x {x:.2f}, y {y:.2f}, z {z:.2f} m; {drive}")

with rm.plot.style():
    figure, (left, right) = plt.subplots(1, 2, figsize=(12.5, 5.6), width_ratios=(1.0, 1.15))
    rm.plot.plan(left, plan, title="The plan")
    rm.plot.seats(right, plan, title=f"As planned: variation {plan.variation_db:.2f} dB")

# %% [markdown]
# ## What it costs, and what comes next
#
# Evenness is paid for with output: drives that even the seats out also cancel in part. If that is too little, give
# output a weight in `[search.weights]`, or allow a narrower range of gains. `rm.save(results, "plan.h5")` keeps the
# plan; `rm.report`, `rm.drawing` and `plan.settings()` make of it what the owner, the joiner and the calibrator need.
# Gains, delays and polarities are starting values; they are tuned on site, with measurements.
#
# Mind hearing (loud bass harms by level and time), glass near loud bass, heavy cabinets and what hangs overhead, mains
# and amplifier loads, ventilation and fire. Local codes and licensed trades have the last word.
