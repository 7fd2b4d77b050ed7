"""What is only for notebooks."""
