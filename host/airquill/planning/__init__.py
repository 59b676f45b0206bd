"""From a board file to the work at the bench: needle, preset, order and kit for every part."""
