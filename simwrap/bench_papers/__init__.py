"""Papers for the bench: the build sheet with its drawings, and what is measured against it."""
