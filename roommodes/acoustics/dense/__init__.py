"""Transfer functions at many frequencies, as impulse responses and decays need them: a reduced model of one room.

`wall_terms` and `room_terms` write the full equations as a sum of fixed matrices, times functions of frequency that
cost little; `reduced` projects them on the answers at some frequencies; `curves` chooses these and tells the error.
May import the rest of `roommodes.acoustics`.
"""
