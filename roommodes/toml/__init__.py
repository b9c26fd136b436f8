"""TOML as people write it: numbers with units and ranges, lines of keys, writing and editing.

Knows no table of any file; may import `roommodes.acoustics.curve` besides errors and arrays.
"""
