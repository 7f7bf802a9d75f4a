"""Pure two-dimensional geometry in millimetres."""
