"""The sound field of a room: air, room and walls, modes, and transfer functions from sources to seats.

Frequencies in Hz, lengths in metres, pressures as transfer functions in 1/m. Knows nothing of projects, files or
subwoofers; may import `roommodes.elements`, `roommodes.shapes`, `roommodes.running`, `roommodes.errors` and
`roommodes.arrays`.
"""
