"""One writer per generated file; all read the same Registry."""
