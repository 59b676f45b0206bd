"""Foot pedals as they are wired and as they bounce: what a unit's raw edges say, and which settings follow from it."""
