"""How the subs of a plan meet the main loudspeakers: delay, polarity and gain of all subs together.

May import `solvers.search` and `roommodes`.
"""
