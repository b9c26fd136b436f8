"""The page that answers while a sub is dragged: its data, packed small, and its parts joined into one file.

May import `cli.figures`, `cli.words`, `cli.terminal`, `solvers` and `roommodes`.
"""
