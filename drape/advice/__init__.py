"""Searches."""
