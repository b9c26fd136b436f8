"""Surfaces over one another: what remains of each."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.room import Surface
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_laws import ConstantAdmittance

LAWS = tuple(ConstantAdmittance(beta_re=0.1 * n, beta_im=0.0) for n in range(1, 6))
GLASS = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03)


def rectangle(draw_from) -> tuple[tuple[float, float], tuple[float, float]]:
    a, b, c, d = draw_from
    return (float(min(a, b)), float(min(c, d))), (float(max(a, b)) + 1.0, float(max(c, d)) + 1.0)


@given(st.lists(st.tuples(*[st.integers(0, 8)] * 4), min_size=1, max_size=5))
def test_every_point_belongs_to_the_last_surface_laid_there(corners):
    surfaces = []
    for law, four in zip(LAWS, corners, strict=False):
        low, high = rectangle(four)
        surfaces.append(Surface(wall="left", from_m=low, to_m=high, law=law))
    pieces = visible(surfaces)
    for x, z in np.ndindex(10, 10):

        def here(one: Surface, x=x, z=z) -> bool:
            return one.from_m[0] < x + 0.5 < one.to_m[0] and one.from_m[1] < z + 0.5 < one.to_m[1]

        owners = [one.law for one in surfaces if here(one)]
        found = [one.law for one in pieces if here(one)]
        assert found == owners[-1:]


def test_walls_do_not_touch_each_other():
    one = Surface(wall="left", from_m=(0.0, 0.0), to_m=(4.0, 2.0), law=LAWS[0])
    other = Surface(wall="right", from_m=(0.0, 0.0), to_m=(4.0, 2.0), law=LAWS[1])
    assert visible([one, other]) == (one, other)


def test_a_pane_is_covered_whole_or_not_at_all():
    pane = Surface(wall="left", from_m=(1.0, 0.5), to_m=(3.0, 2.0), law=GLASS, name="window")
    over = Surface(wall="left", from_m=(0.5, 0.5), to_m=(3.0, 2.0), law=LAWS[0], name="shutter")
    assert visible([pane, over]) == (over,)
    half = Surface(wall="left", from_m=(2.0, 0.5), to_m=(3.0, 2.0), law=LAWS[0], name="curtain")
    with pytest.raises(ValueError, match=r"'curtain' covers part of the pane 'window'"):
        visible([pane, half])
