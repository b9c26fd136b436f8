"""The page's scripts: modules that `cli.explore.bundle` joins into one.

May import nothing; the scripts import each other only.
"""
