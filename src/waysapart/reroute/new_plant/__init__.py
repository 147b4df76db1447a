"""What to build where the plant allows no separate paths."""
