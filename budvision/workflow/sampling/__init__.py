"""Before the knife: plan a sampling, print its paper, keep the soaking clock, decide when to stop.

`plan` draws canes and vines, `paper` prints what the vineyard and the bench need, `soak` tells when
a cane may be cut, `decide` says whether enough buds have been called, `top_up` adds more canes to
the sampling of one cold event.
"""
