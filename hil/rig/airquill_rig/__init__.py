"""Firmware of the rig: a second RP2040 board that handles and measures a unit. docs/rig.md says how it is wired."""
