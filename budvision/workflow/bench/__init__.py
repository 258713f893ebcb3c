"""Beside the blade: a photograph is taken, and the technician hears at once whether it will do.

`bench` keeps the place and the cuts, `answer` words what is heard, `model` holds the proposer,
`picture` makes the small picture with its outlines.
"""
