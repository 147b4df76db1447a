"""Findings for people: the HTML report, its map, and text made safe for each place."""
