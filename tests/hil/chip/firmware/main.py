# Compiled beforehand, so that the chip need not.
import loop  # noqa: F401
