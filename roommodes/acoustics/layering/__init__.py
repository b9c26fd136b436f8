"""Walls of layers: transfer matrices, and the radiation impedance of the air on the far side.

May import acoustics.air and arrays.
"""
