"""Results in words: tables and sentences for people, JSON and CSV for programs.

May import `cli.terminal`, `solvers` and `roommodes`.
"""
