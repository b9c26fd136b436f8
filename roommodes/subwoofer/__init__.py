"""One subwoofer: driver and box, limits, the tables [subwoofer], [target] and [electrical] of the project file.

May import `roommodes.acoustics` and `roommodes.toml`.
"""
