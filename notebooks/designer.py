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
# The room is the demo's and is invented. Change it, or read your own file with
# `roommodes.project.reading.load_project`.

# %%
from importlib.resources import files

import matplotlib as mpl
import numpy as np

from cli.figures.common_axes import STYLE, SubMark, figure_bytes, new_figure, plan_view, seat_levels
from roommodes.acoustics.built_modes import built_modes
from roommodes.acoustics.transfer import transfer_function
from roommodes.project.glass import glass_of
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.plans.by_hand import predict_layout
from solvers.plans.solve import solve


class Picture:
    """A figure as a notebook shows it."""

    def __init__(self, figure):
        with mpl.rc_context(STYLE):
            self.png = figure_bytes(figure, ".png")

    def _repr_png_(self):
        return self.png


# %% [markdown]
# ## The drawing
#
# Seats come first and everything follows from them. Candidates are the positions that the zones allow once doors,
# equipment and the cabinet's own size have taken their share.

# %%
project = parse_project(
    files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8"), source="demo.toml"
)
room, surfaces = project.room, project.surfaces()
seats, candidates = project.seats, project.candidates
print(f"{project.name}: {room.length_m} x {room.width_m} x {room.height_m} m, {room.volume_m3:.0f} m3")
print(f"{len(seats)} seats, {len(candidates)} candidates")
for surface in surfaces:
    print(f"  {surface.name}")


# %%
def draw_plan(axes, *, title, subs=(), candidate_m=None):
    """The room from above."""
    return plan_view(
        axes,
        room=room,
        seat_m=seats.position_m,
        seat_row=seats.row.tolist(),
        row_name=[row.name for row in project.rows],
        subs=subs,
        title=title,
        candidate_m=candidate_m,
        glass=glass_of(project),
        screen_width_m=project.screen.width_m,
    )


with mpl.rc_context(STYLE):
    figure = new_figure(6.5, 5.6)
    draw_plan(figure.subplots(), title="Where a sub may stand", candidate_m=candidates.position_m)
Picture(figure)

# %% [markdown]
# ## What the room does
#
# With rigid walls the first mode across the room lies at c / (2 width). Glass gives way: below its resonances it is a
# spring, above them a mass, and the mode moves. So do its nulls, which are where a seat should not be.

# %%
modes = built_modes(room, surfaces, max_hz=60.0)
print("mode    rigid Hz  built Hz  decay s")
for mode in modes:
    print(
        f"{' '.join(map(str, mode.number)):6}  {mode.rigid_hz:8.2f}  {mode.frequency_hz:8.2f}  {mode.decay_time_s:7.2f}"
    )

across = next(mode for mode in modes if mode.number == (0, 1, 0))
assert abs(across.rigid_hz - room.air.speed_of_sound_m_s / (2.0 * room.width_m)) < 1e-6
shift_hz = across.frequency_hz - across.rigid_hz
assert -2.0 < shift_hz < -0.3  # the glass wall and the light wall opposite pull it down by about a hertz
print(f"\nThe first mode across the room moves by {shift_hz:.2f} Hz, its null by {across.largest_shift_m:.2f} m.")

# %% [markdown]
# Two things must hold whatever the walls are. Without them nothing moves, and the decay is the bulk's own,
# $T_{60} = \ln(10^3) / (\pi f \eta)$. And sound is reciprocal: a seat hears a sub as a sub in the seat would be heard
# where the sub stands.

# %%
for mode in built_modes(room, (), max_hz=60.0):
    assert abs(mode.frequency_hz / mode.rigid_hz - 1.0) < 1e-4
    assert abs(mode.decay_time_s * np.pi * mode.rigid_hz * room.loss_factor / np.log(1e3) - 1.0) < 1e-3

hz = np.array([25.0, 40.0, 63.0, 100.0])
seat, sub = seats.position_m[:1], candidates.position_m[:1]
there = transfer_function(room, surfaces, frequency_hz=hz, seat_m=seat, source_m=sub)
back = transfer_function(room, surfaces, frequency_hz=hz, seat_m=sub, source_m=seat)
assert np.abs(there - back).max() < 1e-5 * np.abs(there).max()
print("reciprocal within", f"{np.abs(there - back).max() / np.abs(there).max():.0e}")

# %% [markdown]
# ## What was planned: two in the front corners, alike
#
# The `[layout]` of the project. Both rows hear very different bass.

# %%
before = predict_layout(project)
names, rows = seats.name, seats.row.tolist()
mean_db = float(before.level_db.mean())
with mpl.rc_context(STYLE):
    figure = new_figure(8.0, 3.6)
    seat_levels(
        figure.subplots(),
        frequency_hz=before.frequency_hz,
        level_db=before.level_db - mean_db,
        seat_name=names,
        seat_row=rows,
        title=f"Two in the front corners: variation {before.variation_db:.2f} dB",
        level_label="re mean [dB]",
    )
Picture(figure)

# %% [markdown]
# ## The plan
#
# The transfer functions are computed once; then positions, gains, delays and polarities are searched together, for one,
# two and four subs. That is all that "best" means: the best of these candidates, in this model, by this measure. The
# plan to build is the one whose last subs still bought enough evenness.

# %%
results = solve(project)
print("subs  variation  alike   free    output")
for count, table in results.plans.items():
    print(
        f"{count:4}  {table.variation_db[0]:6.2f} dB  {table.alike_db[0]:4.2f} dB  {table.weights_db[0]:4.2f} dB  "
        f"{table.output_db[0]:4.1f} dB   {table.stop}"
    )
advice = results.choices.recommendation
print(f"\nto build: {advice.subs} subs")
for reason in advice.reasons:
    print(f"  {reason}")

# %% [markdown]
# *Alike* is the same positions without any drives, *free* with the best weights found there that are free at every
# frequency. The figure of merit is nothing but the seats' levels compared: anybody can work it out again from the
# transfer functions and the drives, and the results file holds both.

# %%
plans = results.plans[advice.subs]
chosen = plans.candidate_index[0]
weights = drive_weights(
    results.frequency_hz, gain_db=plans.gain_db[0], delay_s=plans.delay_s[0], polarity=plans.polarity[0]
)
level = level_db(seat_pressure(results.transfer[:, :, chosen], weights))
assert abs(variation_db(level, seats.weight) - plans.variation_db[0]) < 1e-9

assert plans.weights_db[0] < plans.variation_db[0] < plans.alike_db[0]
evenness = [table.variation_db[0] for table in results.plans.values()]
assert evenness == sorted(evenness, reverse=True)  # more subs, more even
assert results.plans[2].variation_db[0] < before.variation_db - 1.0  # with as many subs as were planned
assert plans.variation_db[0] < results.choices.usual.driven_variation_db.min()  # than any usual layout, driven its best
print(f"variation: {before.variation_db:.2f} dB in the front corners, {plans.variation_db[0]:.2f} dB as planned")
print(f"output:    {before.output_db:.1f} dB in the front corners, {plans.output_db[0]:.1f} dB as planned")

# %% [markdown]
# What the joiner and the calibrator get: where each sub stands, and its starting values.

# %%
drives = [
    f"{gain:.1f} dB, {1e3 * delay:.2f} ms, {'normal' if polarity > 0 else 'inverted'}"
    for gain, delay, polarity in zip(plans.gain_db[0], plans.delay_s[0], plans.polarity[0], strict=True)
]
for number, (index, drive) in enumerate(zip(chosen, drives, strict=True), start=1):
    x, y, z = results.candidates.position_m[index]
    print(f"sub {number}, {results.candidates.zone[index]}: x {x:.2f}, y {y:.2f}, z {z:.2f} m; {drive}")

subs = [
    SubMark(position_m=tuple(results.candidates.position_m[index]), drive=drive)
    for index, drive in zip(chosen, drives, strict=True)
]
with mpl.rc_context(STYLE):
    figure = new_figure(12.5, 5.6)
    left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
    draw_plan(left, title="The plan", subs=subs)
    seat_levels(
        right,
        frequency_hz=results.frequency_hz,
        level_db=plans.level_db[0] - float(plans.level_db[0].mean()),
        seat_name=names,
        seat_row=rows,
        title=f"As planned: variation {plans.variation_db[0]:.2f} dB",
        level_label="re mean [dB]",
    )
Picture(figure)

# %% [markdown]
# ## What it costs, and what comes next
#
# Evenness is paid for with output: drives that even the seats out also cancel in part. If that is too little, give
# output a weight in `[search.weights]`, or allow a narrower range of gains. `write_results` keeps the
# plan; `roommodes report`, `drawing` and `settings` make of it what the owner, the joiner and the calibrator need.
# Gains, delays and polarities are starting values; they are tuned on site, with measurements.
#
# Mind hearing (loud bass harms by level and time), glass near loud bass, heavy cabinets and what hangs overhead, mains
# and amplifier loads, ventilation and fire. Local codes and licensed trades have the last word.
