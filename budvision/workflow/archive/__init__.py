"""Out and in again: the season as an archive, restored or merged, backed up, moved.

`export` writes an archive, `models` those of the season into it; `merge` verifies and imports one,
with `incoming` checking each row, `rowwise` bringing it in and `places` matching canes and buds of
two seasons; `settings` carries settings and policies along; `proof` keeps and compares answers;
`backup` copies a season while it is in use, `restore` makes it anew; `move` makes an equal one on a
server or a laptop.
"""
