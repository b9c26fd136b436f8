"""The questions asked of the acoustics: candidates, the search and its kernels."""
