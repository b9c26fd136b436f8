"""How cabinets stand in a project: on what their feet are, and whether layouts can be mirror images.

May import lengths, places, ranges, shapes, toml and the project itself.
"""
