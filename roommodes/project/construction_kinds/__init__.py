"""The tables of the project file for each kind of construction.

May import acoustics and toml.
"""
