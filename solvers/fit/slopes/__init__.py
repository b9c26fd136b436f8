"""How the responses change with the size of a room and with the planes of a shape.

Slopes of the model, for the steps of a fit. May import `roommodes` and `solvers.fit`.
"""
