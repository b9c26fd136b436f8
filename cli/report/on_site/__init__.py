"""Pages and sections on measured rooms: fits, fields, places left out, and what plays after dialling in."""
