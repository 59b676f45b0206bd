"""pyserial looks here for the handler of `sim://`."""
