"""The commands, one file each: options, what they call, where their output goes.

May import all of `cli`; heavy imports wait until a command runs.
"""
