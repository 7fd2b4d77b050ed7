"""Numbers from arrays, shared by measures."""
