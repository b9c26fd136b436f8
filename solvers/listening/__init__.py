"""What seats hear: from a layout as drawn, before and after, over time, row by row, over the listening plane.

May import `solvers.choice`, `solvers.crossover`, `solvers.search` and `roommodes`.
"""
