"""The report: its sections as data, as one web page and as PDF.

May import `cli.drawing`, `cli.figures`, `cli.words`, `cli.terminal`, `solvers` and `roommodes`.
"""
