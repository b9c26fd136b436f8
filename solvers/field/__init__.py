"""The field where nobody measured: a Gaussian process on measured responses, and what it is worth.

May import `roommodes` and `project_transfer`.
"""
