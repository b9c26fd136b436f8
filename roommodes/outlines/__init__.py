"""A drawing's outline as a project: closed lines of a DXF, the box about them, what of the box lies outside.

May import `toml`, `storage`, `errors`; ezdxf and shapely.
"""
