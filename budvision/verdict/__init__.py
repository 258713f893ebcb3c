"""What proposes: from a photograph to live, dead or unsure, with the model files and their list.

batch       Proposals for many photographs, in order, over one or several processes
cluster     Photographs proposed for by many machines: the only module that knows Dask
compare     Compare two models on the same called tissues, paired, with intervals that allow for
            canes
conformal   Class-conditional conformal sets: an *unsure* that is honest for the dead as much as
            the live
correction  A correction of a verdict model's log-odds, learnt from calls: plain numbers in a
            model file
model       The verdict model: feature rows to a calibrated probability, a verdict and its reason
persist     Keep a verdict model as a skops file; only this module knows skops
propose     From a photograph to a proposal: read, find the face, judge, segment, measure, propose
reasons     Why a verdict came out as it did, in plain words, from the features that moved it
registry    The list of models: names, versions, the hash of every file; nothing unlisted is
            loaded
tissues     From a segmented face to a proposal for each tissue: life from its features, name by
            its place
watch       Watch a model at work: agreement on blind buds, drift of what it sees, doubt and
            refusal
"""
