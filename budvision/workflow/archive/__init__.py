"""Out and in again: the season as an archive, restored or merged.

`export` writes and verifies, `merge` imports, `places` matches canes and buds of two seasons,
`settings` carries settings along.
"""
