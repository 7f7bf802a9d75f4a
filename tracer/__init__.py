"""Photographs of tools to true outlines in millimetres and to cutting files for foam."""

__version__ = "0.1.0"
