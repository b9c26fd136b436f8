"""Studies: the study file, the rooms that it draws, the records of single rooms and the results file.

May import all of `roommodes` but `plan` and `measured`.
"""
