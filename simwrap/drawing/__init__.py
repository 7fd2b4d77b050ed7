"""Schematics as builders draw them: signal from left to right, supplies above, ground below."""
