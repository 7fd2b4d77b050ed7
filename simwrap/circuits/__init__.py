"""Templates, stages and the netlists that they make."""
