"""The tests. A package of its own, or another distribution that installs a `tests` would hide it."""
