"""Campaigns: damaged files, hostile arguments, kills, races and server abuse, in bulk.

``python -m tests.campaigns --seed N`` runs the long form and prints a table; ``test_short.py`` runs
a short one. Every case has a number: ``--only files:1234`` with the same seed repeats it.
"""
