"""Estimated fields: the table of places where one is wanted, and the file that holds it.

May import all of `roommodes` but `measured`, `outlines`, `plan` and `studies`.
"""
