"""The best truly separate ways that the plant allows, or the proof that there are none."""
