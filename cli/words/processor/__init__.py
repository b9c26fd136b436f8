"""What stands in the processor, in words.

May import what `cli.words` may.
"""
