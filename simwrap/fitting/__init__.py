"""Valve constants from published or measured rows."""
