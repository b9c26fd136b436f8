"""From a project, or from measurements, to plans: the whole job from transfer functions to results.

May import all of `solvers` but studies, tolerance, listening and fit.
"""
