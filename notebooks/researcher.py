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
# # Two subs against four, over many rooms
#
# Do two subwoofers at opposite wall midpoints do as well as four in the corners, with and without adjusted drives? And
# does what the literature says of rigid rooms hold in rooms as they are built, with walls that swallow and glass that
# gives way? Here sixteen rooms are studied, each built in three ways, and every conclusion is checked by a cell.
#
# `roommodes study`, or `rm.study("study.toml").run()`, does the same for hundreds of rooms, on all processors or a
# cluster; `here` is for small studies like this one.

# %%
import matplotlib.pyplot as plt
import numpy as np

import roommodes as rm

# %% [markdown]
# ## The family
#
# Rooms are drawn from a Sobol sequence: lengths from 5 to 8 m, widths from 3.6 to 5.6 m. Twelve seats fill the middle
# of the room. Six strategies; all subs play alike unless it says *adjusted* (delay, gain and polarity of each, searched
# in every room). The three builds share the seed, so that room 7 has the same size in all of them and differences can
# be taken room by room.

# %%
STUDY = """
format = 1
name = "Classic layouts, {build}"
seed = 7
[rooms]
design = "sobol"
count = 16
length_m = {{ from = 5.0, to = 8.0 }}
width_m = {{ from = 3.6, to = 5.6 }}
height_m = {{ from = 2.3, to = 2.8 }}
loss_factor = 0.02
[[builds]]
name = "{build}"
{walls}
[[seatings]]
name = "the middle of the room"
rows = [
  {{ x_fraction = 0.38, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
  {{ x_fraction = 0.50, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
  {{ x_fraction = 0.62, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
]
[[strategies]]
name = "one corner"
subs = 1
positions = "given"
at_fraction = [[0, 0, 0]]
[[strategies]]
name = "two midpoints"
subs = 2
positions = "given"
at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]
[[strategies]]
name = "four midpoints"
subs = 4
positions = "wall midpoints"
[[strategies]]
name = "four corners"
subs = 4
positions = "corners"
[[strategies]]
name = "two midpoints, adjusted"
subs = 2
positions = "given"
at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]
adjust = ["delays", "gains", "polarity"]
[[strategies]]
name = "four corners, adjusted"
subs = 4
positions = "corners"
adjust = ["delays", "gains", "polarity"]
[places]
inset_m = 0.2
height_m = 0.2
[search]
band_hz = [20, 80]
points_per_octave = 24
"""
BUILDS = {
    "rigid": "",
    "light": """
front = "plasterboard on studs"
rear = "plasterboard on studs"
left = "plasterboard on studs"
right = "plasterboard on studs"
floor = "timber floor"
ceiling = "plasterboard on battens"
""",
    "one long wall a pane": """
[[builds.regions]]
wall = "left"
from_fraction = [0.1, 0.05]
to_fraction = [0.9, 0.95]
construction = "glass pane 6 mm"
""",
}

results = {}
for build, walls in BUILDS.items():
    results[build] = rm.study_from(STUDY.format(build=build, walls=walls)).here(threads=2)

names = list(results["rigid"].strategies)
ONE, TWO, FOUR_MIDDLES, FOUR_CORNERS, TWO_ADJUSTED, FOUR_ADJUSTED = range(6)
variation = {build: found.arrays["variation_db"] for build, found in results.items()}
for build, found in results.items():
    assert np.array_equal(found.rooms["length_m"], results["rigid"].rooms["length_m"])  # the same rooms, built anew
    print(f"{build:22} decay at 40 Hz {np.median(found.rooms['decay_s']):.2f} s (median)")
print("\nvariation [dB], mean over the rooms")
for place, name in enumerate(names):
    print(f"{name:24} " + "  ".join(f"{build}: {variation[build][:, place].mean():.2f}" for build in BUILDS))

# %%
with rm.plot.style():
    figure, panels = plt.subplots(1, 3, figsize=(10.5, 3.9), sharey=True)
    for axes, build in zip(panels, BUILDS, strict=True):
        rm.plot.distributions(axes, results[build], title=build)
        axes.set_xlim(0.0, 9.0)
        axes.label_outer()
        if axes is not panels[-1]:
            axes.get_legend().remove()

# %% [markdown]
# ## What is known
#
# T. Welti (AES 112th Convention, paper 5602, 2002; from quotations of it) compared such layouts in rectangular rooms
# with seats in the middle. As an ordering, not as numbers:
#
# 1. one sub at each of the four wall midpoints has the least spread over the seats, two at opposite midpoints are
#    nearly as good, and both are better than one in a corner;
# 2. four midpoints are weak at low frequencies, four corners are not.
#
# His mean spatial variance is the square of the variation used here, so that within a room the order is the same.
#
# **The clear part holds in every room.** Two midpoints beat one corner, and below the first mode that has two
# half-waves along the room, at c / L, four corners play louder than four midpoints.

# %%
rigid = variation["rigid"]
assert np.all(rigid[:, TWO] < rigid[:, ONE])
assert np.all(rigid[:, FOUR_MIDDLES] < rigid[:, ONE])


def low_output_gain_db(found):
    """Output of four corners less that of four midpoints below the (2, 0, 0) mode: (n_room,) [dB]."""
    output = found.arrays["output_at_db"]
    mode_hz = 343.2 / found.rooms["length_m"]
    below = found.frequency_hz[None, :] < 0.97 * mode_hz[:, None]
    gain = output[:, FOUR_CORNERS] - output[:, FOUR_MIDDLES]
    return np.where(below, gain, 0.0).sum(axis=1) / below.sum(axis=1)


gain_db = low_output_gain_db(results["rigid"])
assert np.all(gain_db > 0.0)
print(f"four corners over four midpoints below c / L: {gain_db.min():.1f} to {gain_db.max():.1f} dB")

# %% [markdown]
# Why: the sum of cos(n π x / L) cos(m π y / W) over four midpoints is zero for every mode along the floor before
# (2, 2), (4, 0) and (0, 4), while over four corners it is 4 for (2, 0) and (0, 2). What is not driven cannot differ
# from seat to seat, nor can it help. With subs 0.2 m off their walls the zeros are nearly kept.
#
# **"The least spread" holds on average, not in every room.** Four midpoints are more even than two in the mean, and in
# more than half of these rooms, yet some rooms turn it round; the interval of the mean does not exclude zero. Nearly as
# good means within half a decibel in about two rooms of three.

# %%
compared = {build: rm.compare_strategies(found) for build, found in results.items()}


def pair_of(build, cheaper, dearer):
    """The comparison of two strategies."""
    return next(pair for pair in compared[build].pairs if {pair.cheaper, pair.dearer} == {cheaper, dearer})


two_four = pair_of("rigid", TWO, FOUR_MIDDLES)
assert rigid[:, FOUR_MIDDLES].mean() <= rigid[:, TWO].mean() < rigid[:, ONE].mean()
share = np.mean(rigid[:, FOUR_MIDDLES] <= rigid[:, TWO])
assert 0.5 < share < 1.0
assert two_four.mean_db.low < 0.0 < two_four.mean_db.high
assert two_four.within_share.value > 0.5
print(f"two less four midpoints: mean {two_four.mean_db.value:+.2f} dB", end=" ")
print(f"[{two_four.mean_db.low:+.2f}, {two_four.mean_db.high:+.2f}]; four are more even in {share:.0%} of rooms;")
print(f"two are within 0.5 dB of four in {two_four.within_share.value:.0%}")

# %% [markdown]
# ## Two at midpoints against four in corners
#
# The question at the start. All alike, the two are as even as the four: the mean difference is a few hundredths of a
# decibel. With adjusted drives on both sides the four are ahead by about two tenths of a decibel on average, and the
# interval includes zero. So for evenness alone two further subs in corners gain little here; what they gain is output.

# %%
COMPARED = ((TWO, FOUR_CORNERS), (TWO_ADJUSTED, FOUR_CORNERS), (TWO_ADJUSTED, FOUR_ADJUSTED))
for cheaper, dearer in COMPARED:
    pair = pair_of("rigid", cheaper, dearer)
    print(
        f"{names[cheaper]:24} less {names[dearer]:23} {pair.mean_db.value:+.2f} "
        f"[{pair.mean_db.low:+.2f}, {pair.mean_db.high:+.2f}] dB; within 0.5 dB in {pair.within_share.value:.0%}"
    )
alike = pair_of("rigid", TWO, FOUR_CORNERS)
assert alike.mean_db.low < 0.0 < alike.mean_db.high
assert abs(alike.mean_db.value) < 0.3
assert alike.within_share.value > 0.7
assert 0.0 < pair_of("rigid", TWO_ADJUSTED, FOUR_ADJUSTED).mean_db.value < 0.6

pairs = [pair_of("rigid", *which) for which in COMPARED]
with rm.plot.style():
    figure, axes = plt.subplots(figsize=(8.0, 2.8))
    rm.plot.differences(
        axes,
        results["rigid"],
        compared["rigid"],
        pairs=pairs,
        title="Rigid rooms: two against four, one dot per room",
    )

# %% [markdown]
# ## Where built rooms depart
#
# Both parts of the clear ordering survive: in every room of every build two midpoints beat one corner, and four corners
# have more low output. What changes is how much there is to gain.

# %%
for build, found in results.items():
    assert np.all(variation[build][:, TWO] < variation[build][:, ONE]), build
    assert np.all(low_output_gain_db(found) > 0.0), build


def change(build, cheaper, dearer, resamples=4000):
    """How a difference changes from the rigid room to the built one, room by room: mean and bootstrap interval [dB]."""
    gap = [variation[one][:, cheaper] - variation[one][:, dearer] for one in (build, "rigid")]
    values = gap[0] - gap[1]
    chosen = np.random.default_rng(7).integers(0, len(values), (resamples, len(values)))
    low, high = np.quantile(values[chosen].mean(axis=1), [0.025, 0.975])
    return values.mean(), low, high


for build in ("light", "one long wall a pane"):
    for cheaper, dearer in ((ONE, TWO), (TWO, FOUR_MIDDLES), (TWO, FOUR_CORNERS), (TWO_ADJUSTED, FOUR_ADJUSTED)):
        mean, low, high = change(build, cheaper, dearer)
        print(f"{build:21} {names[cheaper]:24} less {names[dearer]:23}: {mean:+.2f} [{low:+.2f}, {high:+.2f}] dB")

# %% [markdown]
# **Light walls take much of the point out of the second sub.** They swallow the modes that one corner drives hardest:
# the corner is still the less even, but by well over a decibel less, and so in nearly every one of these rooms.

# %%
mean, low, high = change("light", ONE, TWO)
assert high < -1.0
assert 0.25 < -mean / (rigid[:, ONE] - rigid[:, TWO]).mean() < 0.45  # about a third
gap = {build: variation[build][:, ONE] - variation[build][:, TWO] for build in BUILDS}
assert np.mean(gap["light"] < gap["rigid"]) > 0.9
assert np.median(results["light"].rooms["decay_s"]) < 0.2 * np.median(results["rigid"].rooms["decay_s"])

# %% [markdown]
# **A pane on one long wall takes the symmetry away.** In a room that is its own mirror image, and with subs that are
# theirs, the left seat hears exactly what the right seat hears: no mode across the room is driven. The pane moves the
# mirror plane; the midpoint is no longer the middle of the field. Here is room 1, front and rear midpoint, built both
# ways.

# %%
spread_db = {}
for build in ("rigid", "one long wall a pane"):
    project = rm.loads(results[build].rooms["project_toml"][0], source="room 1")
    pair = rm.transfer(
        project,
        frequency_hz=results[build].frequency_hz,
        source_m=results[build].arrays["position_m"][0, TWO, :2],
    )
    level = 20 * np.log10(np.abs(pair.values.sum(axis=2))).reshape(-1, 3, 4)  # frequency, row, seat from left to right
    spread_db[build] = np.abs(level - level[:, :, ::-1]).max()
    print(f"{build:21} largest difference between a seat and its mirror image: {spread_db[build]:.2f} dB")
assert spread_db["rigid"] < 0.05  # lengths are kept to 0.1 mm
assert spread_db["one long wall a pane"] > 1.0

# %% [markdown]
# Yet over the family the cost is small. The pane takes some tenths off what the second sub gains, as a wall that
# swallows a little does, and changes none of the mean differences between two and four by more than about a quarter of
# a decibel, adjusted or not. Smaller changes than that should not be read from these rooms: with another grid of
# frequencies, or other rooms of the family, their signs change.

# %%
for which in ((TWO, FOUR_MIDDLES), (TWO, FOUR_CORNERS), (TWO_ADJUSTED, FOUR_CORNERS), (TWO_ADJUSTED, FOUR_ADJUSTED)):
    assert abs(change("one long wall a pane", *which)[0]) < 0.3

# %% [markdown]
# ## What may be said, and what may not
#
# Said of sixteen rooms of these sizes, twelve seats in the middle, 20 to 80 Hz, and of the model:
#
# - Two subs at front and rear midpoint are as even as four in the corners, with identical settings; four corners play
#   louder below c / L than four midpoints, always.
# - That four midpoints are the most even is a tendency. It is no rule for a single room.
# - Light construction takes about a third off what the second sub gains; a glass wall breaks the symmetry that
#   midpoints live on, at a cost that is real and, over these seats, small.
#
# Not said: anything of seats along walls, of other glass, of rooms that are no boxes, or of a room that was measured.
# Intervals are over rooms of this family; the next family may differ, which is what `roommodes study` is for. The walls
# are known by typical figures only, and panes in real frames are stiffer than the simple supports taken here.
