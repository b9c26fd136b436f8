"""Measured responses: the manifest, its text tables, WAV and SOFA files, and what is doubtful in them.

May import all of `roommodes` but `plan` and `studies`.
"""
