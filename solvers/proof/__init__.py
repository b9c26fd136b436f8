"""What is proven of variation: lower bounds that no weights, settings or layouts get below.

May import `solvers.search` and `roommodes`.
"""
