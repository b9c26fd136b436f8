"""Commands with which layouts are tried out: moved, set beside each other, judged elsewhere, written into projects.

May import what other commands may.
"""
