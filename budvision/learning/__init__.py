"""What trains and measures: networks, training, evaluation, cards and the learning curve.

`budvision.verdict` holds what proposes; it imports nothing from here.
"""
