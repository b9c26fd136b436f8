"""How long work reports progress, is cancelled and uses threads; the transfer functions of a project.

The lowest package of `solvers`: it may import `roommodes` only.
"""
