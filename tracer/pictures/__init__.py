"""Pictures for people, drawn from model values."""
