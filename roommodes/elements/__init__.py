"""The sound field of a rigid room of any shape by spectral elements: its modes, and its answer to sources at
imaginary wavenumbers.

Works on a `shapes.Shape` with lengths in metres and wavenumbers in 1/m. Knows nothing of walls' laws, air or
frequencies; may import `roommodes.shapes`, `roommodes.running`, `roommodes.errors`
and `roommodes.arrays` only.
"""
