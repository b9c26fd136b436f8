"""Starter projects for kinds of rooms, TOML with comments: `roommodes new --template`.

May import nothing.
"""
