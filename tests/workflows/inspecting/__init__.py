"""Inspection of jobs: commands, refusals, history."""
