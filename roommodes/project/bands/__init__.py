"""Over which frequencies a project is searched, and how they are weighted.

May import arrays, responses and the project itself.
"""
