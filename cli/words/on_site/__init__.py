"""Words of what is measured on site: fields where nobody measured, a plan verified after dialling in.

May import `cli.words`, `cli.terminal` and what lies below.
"""
