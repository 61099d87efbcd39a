"""Many shots: gathered, run, and decided upon."""
