"""Pages and sections on measured rooms.

Fits, fields, places left out, and what plays after dialling in. May import as `cli.report` does.
"""
