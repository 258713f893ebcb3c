"""The season teaches: train on its calls, write the model, compare, promote and go back.

`train` and `regions` learn, `write` puts a model into its folder, `models` lists, compares and
promotes, `agreed` counts how each model did on blind calls, `own` keeps somebody's own estimator,
`anew` proposes again with the model in use.
"""
