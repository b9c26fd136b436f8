"""Figures: arrays and an Axes in, the Axes out; whole pages for files.

May import `cli.words`, `cli.terminal`, `solvers` and `roommodes`.
"""
