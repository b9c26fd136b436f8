"""One subwoofer: driver and box, limits, the tables [subwoofer] and [target] of the project file.

May import `roommodes.acoustics` and `roommodes.toml`.
"""
