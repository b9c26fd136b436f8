"""Plans and the plan file: the plans of a search, what helps to choose, filters, crossover, starting values, tolerance.

May import all of `roommodes` but `measured` and `studies`.
"""
