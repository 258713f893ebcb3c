"""Shares and their intervals, buds that come in canes, sequential rules, agreement.

agreement    How well two or more readers, or a reader and the model, agree
clusters     Buds of one cane are alike: intra-class correlation, design effect, cluster variance
compare      Two shares against each other: independent buds, and buds that come in canes
coverage     How often the interval for clustered shares holds the truth: the simulation behind
             its rules
groups       Shares of many groups at once, from counts a cluster: thousands of blocks in one call
misreading   A share of dead buds corrected for a reader who errs at known rates
proportions  Intervals for one share: independent buds, and buds that come in canes
sequential   Stop cutting as soon as the answer is clear: Wald's sequential test, and the quick
             look
"""
