"""Statistics of a batch: yield, capability, control charts, gauge studies, limits out of good units. Plain numbers in,
plain numbers out; nothing here knows units or records."""
