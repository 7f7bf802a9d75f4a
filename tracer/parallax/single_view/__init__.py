"""One photo: relief displacement taken out of a silhouette with a stated height.

In: a silhouette, a height, a view. Out: the outline from straight above, its uncertainty.
May import: shared.
"""
