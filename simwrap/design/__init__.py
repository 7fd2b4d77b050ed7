"""What is wanted of a circuit, and what the tolerance of its parts does."""
