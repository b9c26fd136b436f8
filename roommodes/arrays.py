"""Names for the arrays that stand in signatures; shapes and units are in the docstrings."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Integers = NDArray[np.int64]
