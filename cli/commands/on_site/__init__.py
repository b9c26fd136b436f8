"""Commands for what is measured on site: a field where nobody measured, a plan verified after dialling in.

May import what other commands may.
"""
