"""Strategies over hundreds of rooms: one room's job, workers, the store of finished jobs, the comparison.

May import `solvers.search` and `roommodes`.
"""
