"""The project file: its tables, reading with all faults at once, the validated project, warnings.

The starter, the demo and the library of constructions are here as data. May import the acoustics, filters, places,
responses, subwoofer and TOML packages.
"""
