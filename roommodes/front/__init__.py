"""The front door: what `import roommodes as rm` offers, by subject.

May import all of `roommodes`; `solvers` and `cli` by late imports alone, so that importing it stays quick.
"""
