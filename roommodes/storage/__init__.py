"""Files that are written whole, and HDF5 files of unknown origin read with care.

Knows no particular file; may import `roommodes.errors` only.
"""
