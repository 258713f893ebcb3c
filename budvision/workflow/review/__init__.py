"""A person confirms: `save` is the only door by which a call is kept.

`page` gathers what one bud shows, `queue` chooses the next bud, `readings` says which are blind or
read twice and in which round a call is kept, `proposed` what was proposed beside it, `regions` and
`outlines` correct outlines, `steps` are what a correction is made of, `taken_back` undoes a
correction, `agreement` measures readers and model, `calls_file` and `calls_table` read and write
calls as tables, `cane_counts` reads counts a cane, `pictures` and `likeness` make and choose what
is looked at, `history` tells all that was ever kept of one bud, `trial` says whether readers see
proposals yet.
"""
