"""Photos to calibrated views: cards found, lens and pose solved, uncertainty stated."""
