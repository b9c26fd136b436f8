"""Figures from transfer functions: level, variation, third-octaves, decay, impulse responses; the frequency grid.

Works on plain arrays; may import `roommodes.errors` and `roommodes.arrays` only.
"""
