"""Shares and their intervals, buds that come in vines and canes, when to stop, agreement.

agreement    How well two or more readers, or a reader and the model, agree
clusters     Buds of one vine or cane are alike: what that costs a sample
compare      Two shares against each other, of buds that come in units
coverage     How often the interval for mortality holds the truth: the simulation behind its rule
kept         What was worked out once for a layout of units, so that blocks that show the same are
             quick
likelihood   The beta-binomial likelihood of units whose buds are alike, and the prior on how alike
misreading   A share of dead buds corrected for a reader who errs, at counted rates
posterior    What buds that come in units tell of one share: one rule for samples of every size
proportions  Intervals for one share of independent buds
quick_look   A first few buds that decide whether to cut a full sample
stopping     Stop cutting as soon as the band is sure: a rule for any number of bands
units        Counts of the units that were drawn (vines or canes), for many groups at once
weighted     A share put together from strata, each counting by its known weight
"""
