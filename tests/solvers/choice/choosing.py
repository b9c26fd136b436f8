"""A small project, solved once, for the tests of what helps to choose."""

TEXT = """\
format = 1
name = "choosing"
[room]
length_m = 5.3
width_m = 3.9
height_m = 2.4
loss_factor = 0.03
[walls]
rear = "brick"
[[rows]]
name = "front"
x_m = 2.6
y_m = [0.8, 1.7, 2.9]
ear_height_m = 1.1
move_m = [0.2, 0.15]
[[rows]]
name = "rear"
x_m = 3.8
y_m = [1.0, 2.2, 3.0]
ear_height_m = 1.2
weight = 0.5
move_m = [0.3, 0.1]
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.6, 0.3]
spacing_m = 0.9
[[zones]]
name = "rear wall"
from_m = [5.0, 0.3, 0.3]
to_m = [5.0, 3.6, 0.3]
spacing_m = 1.2
[search]
counts = [1, 2, 3]
band_hz = [25, 100]
points_per_octave = 8
seed = 4
"""
