"""Filters for a plan: a few on single subs, then some common to all.

May import `solvers.search` and `roommodes`.
"""
