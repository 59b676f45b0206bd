"""Traces, plots and self-contained pages for people."""
