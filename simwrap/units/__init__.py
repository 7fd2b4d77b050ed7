"""Text to SI values at the door, and preferred values."""
