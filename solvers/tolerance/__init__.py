"""Plans in rooms that are not built exactly as drawn: percentiles, what matters most, robust settings.

May import `solvers.search` and `roommodes`.
"""
