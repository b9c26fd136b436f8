"""A small room that is solved in a moment, for every test that needs just some project; a driver and its box."""

CLOSED_BOX = """\
[subwoofer.driver]
fs_hz = 23
qes = 0.42
qms = 5.5
vas_m3 = 0.14
cone_area_m2 = 0.083
re_ohm = 3.3
xmax_m = 0.014
power_w = 700
box_m3 = 0.052
"""
SMALL = """\
format = 1
name = "small room"
[room]
length_m = 4.1
width_m = 3.2
height_m = 2.4
loss_factor = 0.02
[walls]
rear = "brick"
[[rows]]
name = "front"
x_m = 2.2
y_m = [0.7, 1.5, 2.4]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.9, 0.3]
spacing_m = 0.9
[[zones]]
name = "rear wall"
from_m = [3.8, 0.3, 0.3]
to_m = [3.8, 2.9, 0.3]
spacing_m = 1.5
[search]
counts = [1, 2]
band_hz = [25, 80]
points_per_octave = 6
[layout]
positions_m = [[0.3, 1.0, 0.3], [3.8, 2.0, 0.3]]
gain_db = [0, -3]
delay_ms = [0, 5.5]
polarity = [1, -1]
"""
