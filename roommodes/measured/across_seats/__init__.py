"""What a sub's files tell taken together over the seats: the field between these, and levels averaged over them.

May import the arrays, and the files, manifest and doubts of `measured`.
"""
