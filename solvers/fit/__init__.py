"""A project corrected by measurements: what may change, the fit, its verdict, the modes that moved.

May import `roommodes` and `solvers.field`.
"""
