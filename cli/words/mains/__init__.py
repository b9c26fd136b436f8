"""Main loudspeakers in words.

May import what `cli.words` may.
"""
