"""Stage 3: who relies on what, as sparse boolean matrices over the whole study."""
