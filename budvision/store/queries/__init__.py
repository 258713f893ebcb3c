"""Every question asked of a season's database: the only place with SQL.

Each function takes a connection from `Season.read` or `Season.write` first. What it returns is
frozen; what it changes becomes visible when the caller's transaction ends.
"""
