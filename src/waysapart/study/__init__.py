"""Stage 1: files to a study, read and validated."""
