"""Shapes placed without overlap."""
