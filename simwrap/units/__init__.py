"""Text to SI values at the door, and preferred values."""

__all__ = ["eseries", "quantity"]
