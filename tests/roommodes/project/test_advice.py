"""Plain warnings: each appears when its cause is there, with the numbers, and not otherwise."""

import numpy as np

from roommodes.acoustics.built_modes import built_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.places.seats import Seats
from roommodes.places.sight import viewing_angle_deg
from roommodes.project.advice import decay_estimate_s, model_warnings, null_warnings
from roommodes.project.wall_advice import reaction_warnings


def seats(*positions_m) -> Seats:
    count = len(positions_m)
    return Seats(
        position_m=np.array(positions_m),
        name=tuple(f"row {n + 1}" for n in range(count)),
        weight=np.ones(count),
        row=np.zeros(count, dtype=np.intp),
    )


def test_viewing_angle(close):
    close(viewing_angle_deg(screen_width_m=3.7, distance_m=3.2), 60.0, rtol=2e-3)  # worked example, no source
    close(viewing_angle_deg(screen_width_m=2.0, distance_m=1.0), 90.0, rtol=1e-12)


def test_a_seat_in_the_middle_of_the_room_is_on_the_first_null():
    room = Room(length_m=6.0, width_m=4.0, height_m=2.6)
    modes = built_modes(room, (), max_hz=60.0)
    (found,) = null_warnings(modes, seats((3.02, 1.2, 1.2), (3.9, 1.3, 1.2)))
    assert found.startswith("row 1: on the null plane of the 28.6 Hz mode (x = 3.00 m as built)")
    assert null_warnings(modes, seats((3.9, 1.3, 1.2))) == ()


def test_the_modal_range_ends_lower_in_a_large_damped_room():
    small = Room(length_m=4.0, width_m=3.0, height_m=2.4)
    large = Room(length_m=14.0, width_m=10.0, height_m=5.0, loss_factor=0.05)
    assert model_warnings(small, (), high_hz=120.0) == ()
    (found,) = model_warnings(large, (), high_hz=120.0)
    assert "the band ends at 120 Hz" in found
    assert "700 m3" in found


def test_the_decay_estimate_is_that_of_an_oblique_mode(close):
    room = Room(length_m=5.0, width_m=4.0, height_m=2.6, loss_factor=0.004)
    law = ConstantAdmittance(beta_re=0.02, beta_im=0.0)
    walls = [
        Surface(wall=w, from_m=(0.0, 0.0), to_m=room.wall_size_m(w), law=law)
        for w in ("front", "rear", "left", "ceiling")
    ]
    mode = next(mode for mode in built_modes(room, walls, max_hz=90.0) if mode.number == (1, 1, 1))
    close(decay_estimate_s(room, walls, hz=mode.frequency_hz), mode.decay_time_s, rtol=0.02)


def test_walls_stronger_than_the_model_was_checked_for_are_named():
    room = Room(length_m=6.0, width_m=4.0, height_m=2.6)

    def warnings(law, to_m=(3.0, 2.0)):
        wall = Surface(wall="left", from_m=(1.0, 0.5), to_m=to_m, law=law, name="panel, left wall")
        return list(reaction_warnings(room, [wall], low_hz=20.0, high_hz=120.0))

    assert warnings(ConstantAdmittance(beta_re=100.0, beta_im=0.0)) == []
    assert warnings(ConstantAdmittance(beta_re=6.0, beta_im=6.0)) == []
    assert warnings(ConstantAdmittance(beta_re=0.0, beta_im=-99.0)) == []
    (found,) = warnings(ConstantAdmittance(beta_re=80.0, beta_im=-80.0))
    assert found.startswith("panel, left wall: its admittance reaches 113 times that of air")
    (found,) = warnings(ConstantAdmittance(beta_re=0.5, beta_im=20.0))
    assert "reacts as a spring with little resistance (beta 0.5 + 20j at 120 Hz)" in found
    assert "waves of 0.14 m" in found
