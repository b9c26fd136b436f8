"""How loud a plan plays clean, against the target: limits of driver, port and amplifier, one more sub, cabinets.

May import `solvers.search` and `roommodes`.
"""
