"""Silhouettes and heights to outlines seen straight down."""
