"""The terminal: printing, progress, faults and exit codes, options that commands share.

May import `roommodes` only.
"""
