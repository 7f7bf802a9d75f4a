"""Use cases in plain Python: the only place where stages are composed."""
