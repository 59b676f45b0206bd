"""Airquill: configure, tune and prove a hand vacuum pick-up tool."""
