"""The job folder: what was typed and what was found, kept safely."""
