"""Training pictures, training and scoring of the learned silhouette model (not needed to run)."""
