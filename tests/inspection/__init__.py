"""Inspection of finished panels: registration, decision, records."""
