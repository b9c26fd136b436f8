"""What lies one behind the other in a wall, and the air on its far side.

May import acoustics.air and arrays.
"""
