"""What the electrician needs of a plan: cables and their lengths, circuits, heat, quantities.

Starting values for a qualified electrician, who decides. May import `solvers.loudness` and `roommodes`.
"""
