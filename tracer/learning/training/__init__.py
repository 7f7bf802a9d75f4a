"""Training on pictures rendered on the way, and scoring.

In: a file of weights. Out: a better one, figures.
May import: scenes, renderer, network.
"""
