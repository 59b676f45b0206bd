"""Measure a unit, fit the model of its air, recommend presets, say what is wrong."""
