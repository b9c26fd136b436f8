"""The search for positions and drives: the question and the answer as data, its stages, from coarse to fine.

May import `roommodes`. The compiled loops are in `kernels`.
"""
