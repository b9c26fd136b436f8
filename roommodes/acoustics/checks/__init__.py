"""What may be wrong with surfaces given in Python, in the words in which files are checked.

May import the other files of acoustics but those that solve: transfer, resonances, built_modes.
"""
