"""Walls that are plates or of several parts: panes, doors, partitions, perforated panels.

May import acoustics.air, acoustics.layering and acoustics.wall_laws.
"""
