"""Kinds of subwoofer in words.

May import what `cli.words` may.
"""
