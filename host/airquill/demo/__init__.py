"""A demonstration: the whole path from finding a unit to accepting it, on a real virtual unit."""
