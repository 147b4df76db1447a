"""Tomorrow: digs, outages, works and proposals, run through the same stages as a proof."""
