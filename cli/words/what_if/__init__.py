"""What layouts that are tried out say beside each other: figures, bands, what differs in their projects.

May import what other words may.
"""
