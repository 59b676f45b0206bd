"""A unit at work: readings as they come, recordings of them, the picks in them, and what changes over many picks."""
