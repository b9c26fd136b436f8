"""The shape of a room: the box that encloses it, blocks and slopes, and what of it is air.

Pure geometry, lengths in metres, axes as in `acoustics.room`. Knows nothing of sound, walls' laws or projects.
May import `roommodes.errors` and `roommodes.arrays` only.
"""
