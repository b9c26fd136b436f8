"""The sheet to scale: plan, elevations, dimensions and notes, on paper and for CAD.

May import `cli.figures`, `cli.words`, `cli.terminal`, `solvers.electrical` and `roommodes`.
"""
