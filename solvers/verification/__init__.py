"""After dialling in: what was measured held against what the plan promised, and which sub's settings look wrong.

May import `roommodes` and `fit`.
"""
