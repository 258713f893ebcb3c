"""The verbs, a room for each place where people stand; command line and pages are thin over them.

`sampling`  before the knife: plan, paper, soaking clock, when to stop
`intake`    photographs come in, are sorted and proposed for
`bench`     beside the blade: what the technician hears at once
`review`    a person confirms; the only door by which a call is kept
`learning`  the season's calls teach a model; models are compared, promoted, taken back
`answers`   what the calls mean: mortality, band, nodes to retain
`after`     the season after: shoots, crop, thinning, the cold record
`archive`   the season out and in again
`season`    the season as a whole: make it, say how it stands, check it, play the demo
`jobs`      long work at night: one queue for pages and terminal

Each imports only what stands above it in this list, `bench`, `review` and `learning` not each
other.
"""
