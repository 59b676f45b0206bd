"""The firmware's version; the hash of a build comes with its image."""

FIRMWARE = "0.1.0"
