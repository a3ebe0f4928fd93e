"""Drawn brightfield flotation fields with exact truth."""
