"""From a proved study to the graph in which paths are searched."""
