"""Stage 2: circuits tied to the plant that they run through."""
