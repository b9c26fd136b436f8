"""What helps to choose a plan: further aims, lower variation by free weights, usual layouts, rows, the recommendation.

May import `solvers.loudness`, `solvers.search` and `roommodes`.
"""
