"""Where people sit and where a sub may stand: seats, zones and their candidates, positions between the candidates.

May import `roommodes.shapes`, `roommodes.errors` and `roommodes.arrays` only.
"""
